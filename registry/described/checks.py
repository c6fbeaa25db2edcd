"""What a form and an imported cell refuse alike."""

from __future__ import annotations

import datetime as dt

from django.core.exceptions import ValidationError
from django.utils import timezone


def not_in_the_future(day: dt.date) -> None:
    """Refuse a day after today."""
    if day > timezone.localdate():
        raise ValidationError("The date is in the future. Enter today or an earlier date.")
