"""How days are written on pages: one way everywhere, as templates write dates with ``j F Y``."""

from __future__ import annotations

import datetime as dt

from django import template
from django.utils.formats import date_format

register = template.Library()


@register.filter
def iso_day(text: str) -> str:
    """Write a day that is kept as ISO text, such as a birth date: 12 May 2026."""
    return date_format(dt.date.fromisoformat(text), "j F Y")
