"""Filters of the comparison and report pages."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from procedures.acute_response.weighing import Criterion, Fact
from procedures.figures.style import SiteStyle, marker_path
from procedures.models import LeadMeasurement
from procedures.polar import segment_name
from procedures.selectors import comparison_words as words

register = template.Library()
NB = "\N{NO-BREAK SPACE}"
register.filter("signed", words.signed)
register.filter("probability", words.probability)
register.filter("segment_name", segment_name)


@register.simple_tag
def interval(low: float | None, high: float | None) -> str:
    """Return a 95 % interval in words."""
    return words.interval(low, high)


@register.simple_tag
def site_mark(style: SiteStyle) -> SafeString:
    """Return a site's shape in its colour; the name beside it says the same, so it is hidden from screen readers."""
    return format_html(
        '<svg class="site-mark" viewBox="-14 -14 28 28" aria-hidden="true" focusable="false">'
        '<path d="{}" fill="{}"/></svg>',
        marker_path(style.shape, 12.0),
        style.colour,
    )


def _ratio(volts: float, threshold: float | None) -> str:
    return f" ({volts / threshold:.1f}{NB}×{NB}threshold)" if threshold else ""


@register.filter
def phrenic(measurement: LeadMeasurement | None) -> str:
    """Say at what output the phrenic nerve was stimulated, and how many times the capture threshold that is."""
    if measurement is None:
        return "not measured"
    threshold = measurement.capture_threshold_v
    if measurement.phrenic_threshold_v is not None:
        return f"{measurement.phrenic_threshold_v:g}{NB}V{_ratio(measurement.phrenic_threshold_v, threshold)}"
    if measurement.phrenic_none_up_to_v is not None:
        up_to = measurement.phrenic_none_up_to_v
        return f"none up to {up_to:g}{NB}V{_ratio(up_to, threshold)}"
    return "not tested"


@register.filter
def threshold(measurement: LeadMeasurement | None) -> str:
    """Say the capture threshold with its pulse width."""
    if measurement is None or measurement.capture_threshold_v is None:
        return "not measured"
    return f"{measurement.capture_threshold_v:g}{NB}V at {measurement.pulse_width_ms:g}{NB}ms"


@register.filter
def quantity(value: Any, unit: str) -> str:
    """Return a number with its unit, or words when it is missing."""
    return "not measured" if value is None else f"{value:g}{NB}{unit}"


@register.simple_tag
def weighed_fact(criterion: Criterion, fact: Fact | None) -> str:
    """Say a fact of the weighing: a change signed, a bound as such, missing in words."""
    if fact is None:
        return "not known"
    if criterion.key == "response":
        return words.signed(fact.value)
    if criterion.key == "stable":
        return "yes" if fact.value else "no"
    text = f"{fact.value:.1f}{NB}×" if criterion.unit == "times" else f"{fact.value:g}"
    return f"at least{NB}{text}" if fact.at_least else text
