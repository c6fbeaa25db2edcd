"""Days that are kept as text, on pages."""

from __future__ import annotations

import datetime as dt

from django import template

from registry.days import in_words

register = template.Library()


@register.filter
def iso_day(text: str) -> str:
    """Write a day that is kept as ISO text, such as a birth date: 12 May 2026."""
    return in_words(dt.date.fromisoformat(text))
