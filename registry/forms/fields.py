"""Fields for clinical forms: numbers as text with their unit, answers without a preset, dates as ISO."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils import timezone


class NumberField(forms.FloatField):
    """A number typed as text: no spinner to turn by accident. The template shows the unit in the label."""

    widget = forms.TextInput

    def __init__(self, label: str, unit: str = "", *, may_be_negative: bool = False, **options: Any) -> None:
        """Make the field; optional unless said otherwise, since anything may be not measured."""
        options.setdefault("required", False)
        # Some on-screen decimal pads have no minus key, so a number that may be negative gets the full keyboard.
        attributes = {"autocomplete": "off"} | ({} if may_be_negative else {"inputmode": "decimal"})
        super().__init__(label=label, widget=forms.TextInput(attrs=attributes), **options)
        self.unit = unit
        self.error_messages["invalid"] = f"{label}: enter a number with a point, such as 1.5, and without the unit."

    def to_python(self, value: Any) -> Any:
        """Read the number; stray spaces are tolerated, a comma is not: 1,500 could be either."""
        return super().to_python(value.strip() if isinstance(value, str) else value)


class WholeNumberField(NumberField):
    """A count."""

    def __init__(self, label: str, unit: str = "", **options: Any) -> None:
        """Make the field."""
        super().__init__(label, unit, **options)
        self.widget.attrs["inputmode"] = "numeric"
        self.error_messages["invalid"] = f"{label}: enter a whole number, such as 12."

    def to_python(self, value: Any) -> Any:
        """Read the count."""
        number = super().to_python(value)
        if number is None:
            return None
        if number != int(number):
            raise forms.ValidationError(self.error_messages["invalid"], code="invalid")
        return int(number)


class AnswerField(forms.ChoiceField):
    """One answer of a few, as radio buttons of which none is chosen beforehand."""

    widget = forms.RadioSelect

    def __init__(self, label: str, choices: Iterable[tuple[str, str]], **options: Any) -> None:
        """Make the field; an answer is asked for, so "Not known" belongs among the choices."""
        super().__init__(label=label, choices=list(choices), **options)
        self.error_messages["required"] = f"{label}: choose one answer."
        self.error_messages["invalid_choice"] = f"{label}: choose one of the answers shown."


def not_in_the_future(day: dt.date) -> None:
    """Refuse a day after today."""
    if day > timezone.localdate():
        raise forms.ValidationError("The date lies in the future: enter today or an earlier day.")


class DayField(forms.DateField):
    """A day up to today: what is recorded has happened."""

    default_validators = [not_in_the_future]

    def __init__(self, label: str, **options: Any) -> None:
        """Make the field."""
        widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
        super().__init__(label=label, input_formats=["%Y-%m-%d"], widget=widget, **options)
        self.error_messages["required"] = f"{label}: enter a date."
        self.error_messages["invalid"] = f"{label}: enter a date as year-month-day, such as 2024-03-27."


class WordsField(forms.CharField):
    """A short text."""

    def __init__(self, label: str, *, max_length: int = 80, **options: Any) -> None:
        """Make the field."""
        super().__init__(label=label, max_length=max_length, **options)
        self.widget.attrs.setdefault("autocomplete", "off")
        self.error_messages["required"] = f"{label}: enter it."
