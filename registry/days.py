"""How days are written for people: one way everywhere, as templates write dates with ``j F Y``; ISO is for programs."""

from __future__ import annotations

import datetime as dt


def in_words(day: dt.date) -> str:
    """Write a day: 12 May 2026."""
    return f"{day.day} {day:%B %Y}"
