"""How electrical values are written on pages."""

from __future__ import annotations

import math
from typing import Any

from django import template
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from procedures.electrocardiogram import StrengthDuration
from procedures.limits import LATE_WORDS
from procedures.selectors.ecgs import StateQrs

register = template.Library()


@register.simple_tag
def verdict(met: bool | None, yes: str, no: str, unknown: str) -> SafeString:
    """Write true, false or open as a word with its own shape."""
    if met is None:
        return format_html('<span class="missing">{}</span>', unknown)
    kind, word = ("solid", yes) if met else ("dashed", no)
    return format_html('<span class="mark {}">{}</span>', kind, word)


@register.filter
def signed_number(value: float | None) -> str:
    """Write a change with its sign, whole."""
    if value is None:
        return "not known"
    whole = round(value)
    return f"{'+' if whole > 0 else '−' if whole < 0 else ''}{abs(whole)}"


@register.filter
def signed_ms(value: float | None) -> str:
    """Write a change in milliseconds."""
    return "not known" if value is None else f"{signed_number(value)}\N{NO-BREAK SPACE}ms"


@register.filter
def ms(value: float | None) -> str:
    """Write milliseconds, or that they are not known."""
    return "not known" if value is None else f"{value:.0f}\N{NO-BREAK SPACE}ms"


@register.filter
def step_value(value: Any) -> str:
    """Write what a step was judged by."""
    if isinstance(value, float):
        return "no S wave" if math.isinf(value) else f"R/S {value:.2f}"
    return str(value) if value is not None else "not assessable"


@register.simple_tag
def late_words() -> str:
    """Say from when on an activation is called late."""
    return LATE_WORDS


@register.simple_tag
def qrs_cell(qrs: StateQrs | None, link: bool = False) -> SafeString:
    """Write a QRS duration with the word that tells measured, read and typed apart."""
    if qrs is None or qrs.duration_ms is None:
        return format_html('<span class="missing">{}</span>', "not measured")
    number: SafeString | str = f"{qrs.duration_ms:.0f}"
    if link and qrs.ecg:
        number = format_html(
            '<a href="{}">{}<span class="unseen"> ms, the ECG</span></a>',
            reverse("procedures:ecg", args=[qrs.ecg.pk]),
            number,
        )
    return format_html('{} <span class="unit">{}</span>', number, qrs.origin)


@register.filter
def qrs_source(qrs: StateQrs) -> str:
    """Say whether a QRS duration was measured, read or typed, and what stands beside it."""
    if not qrs.origin:
        return "–"
    exact = f" ± {qrs.sd_ms:.0f} ms" if qrs.sd_ms is not None else ""
    return f"{qrs.origin}{exact}" + (f"; {qrs.beside}" if qrs.beside else "")


@register.simple_tag
def curve_at(curve: StrengthDuration | None, width_ms: float) -> str:
    """Write the threshold that a curve gives at a pulse width."""
    return "–" if curve is None else f"{curve.threshold_v(width_ms):.2f}"


@register.filter
def pieces(text: str) -> list[str]:
    """Split a text at its blanks."""
    return text.split()


@register.filter
def named(text: str) -> list[tuple[str, str]]:
    """Split ``name=label,name=label``."""
    return [(name, label) for name, _, label in (part.partition("=") for part in text.split(","))]


@register.filter
def plus(text: str) -> str:
    """Write a step with a true sign."""
    return text.replace("-", "−") if text.startswith("-") else f"+{text}"
