"""How numbers are written on pages: right digits, unit, and words for what is missing."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from procedures.metrics import Metric

register = template.Library()


@register.simple_tag
def quantity(value: float | None, unit: str = "", missing: str = "not measured") -> SafeString | str:
    """Write a value with its unit, or say that it is missing."""
    if value is None:
        return format_html('<span class="missing">{}</span>', missing)
    return f"{value:.10g} {unit}".strip()


@register.simple_tag
def metric_mean(metric: Metric, value: Any, missing: str = "–") -> SafeString | str:
    """Write the mean of a metric with the digits that it deserves; the unit stands in the heading."""
    if value is None:
        return format_html('<span class="missing" title="not measured">{}</span>', missing)
    return f"{value:.{metric.decimals}f}"


@register.filter
def seconds(value: float | None) -> str:
    """Write a duration as seconds, or as minutes and seconds when it is longer than two minutes."""
    if value is None:
        return "not known"
    if value < 120:
        return f"{value:.10g} s" if value == round(value, 1) else f"{value:.1f} s"
    minutes, rest = divmod(round(value), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"
