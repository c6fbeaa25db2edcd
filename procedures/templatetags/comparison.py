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
from procedures.selectors.lead_measurements import Pair
from registry.clinical.nyha import ROMAN

register = template.Library()
NB = "\N{NO-BREAK SPACE}"
register.filter("signed", words.signed)
register.filter("probability", words.probability)
register.filter("segment_name", segment_name)


@register.filter
def nyha(number: int) -> str:
    """Write a NYHA class as clinicians do."""
    return ROMAN[number]


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


@register.filter
def phrenic(pair: Pair | None) -> str:
    """Say at what output the phrenic nerve was stimulated, and how many times the capture threshold that is."""
    if pair is None or pair.phrenic is None:
        return "not tested"
    volts, up_to = pair.phrenic.phrenic_threshold_v, pair.phrenic.phrenic_none_up_to_v
    said = f"none up to {up_to:g}{NB}V" if volts is None else f"{volts:g}{NB}V"
    return said if pair.ratio is None else f"{said} ({pair.ratio:.1f}{NB}×{NB}threshold)"


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
