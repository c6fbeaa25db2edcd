"""What a form and an imported cell refuse alike."""

from __future__ import annotations

import datetime as dt

from django.core.exceptions import ValidationError
from django.utils import timezone

from registry.numbers.outside import impossible


def not_in_the_future(day: dt.date) -> None:
    """Refuse a day after today."""
    if day > timezone.localdate():
        raise ValidationError("The date is in the future. Enter today or an earlier date.")


def in_our_time(day: dt.date) -> None:
    """Refuse a year that no page could show in every time zone, and that nobody means."""
    if message := impossible(day):
        raise ValidationError(message)
