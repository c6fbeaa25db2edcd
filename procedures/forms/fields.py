"""Fields for what is typed at the bedside: numbers in any common spelling, moments, and choices nobody made yet."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from typing import Any, cast

from django import forms
from django.utils import timezone

# Blanks of every kind, and the thin ones that keyboards and spreadsheets put between thousands.
_BLANKS = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
# A comma before three digits separates thousands for some and decimals for others: a factor of a thousand.
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_WHOLE = re.compile(r"\d+")


class NumberField(forms.Field):
    """A decimal number in a text input, with a point or a comma; empty means not known.

    Parameters
    ----------
    unit
        Shown behind the input and in the label, and named in messages.
    signed
        Whether a minus can be meant; phones then need their full keyboard.
    """

    def __init__(self, *, unit: str = "", signed: bool = False, **options: Any) -> None:
        self.unit = unit
        attributes = {"autocomplete": "off", "class": "number"} | ({} if signed else {"inputmode": "decimal"})
        super().__init__(widget=forms.TextInput(attrs=attributes), **options)

    def to_python(self, value: Any) -> float | None:
        """Read the number; a comma is a decimal comma where it cannot mean thousands."""
        if isinstance(value, float | int):
            return float(value)
        text = _BLANKS.sub("", str(value or "")).replace("−", "-")
        if not text:
            return None
        if not _NUMBER.fullmatch(text) or len(text) > 20:
            of = f" of {self.unit}" if self.unit else ""
            raise forms.ValidationError(f"{self.label}: enter a number{of}, such as 1.5.", code="not_a_number")
        if _THOUSANDS.fullmatch(text):
            plain, decimal = text.replace(",", ""), float(text.replace(",", "."))
            raise forms.ValidationError(
                f"{self.label}: {text} could be {plain} or {decimal:g}; write it without a comma.",
                code="ambiguous",
            )
        return float(text.replace(",", "."))

    def prepare_value(self, value: Any) -> Any:
        """Show a stored number without needless digits."""
        return f"{value:.10g}" if isinstance(value, float) else value


class CountField(forms.Field):
    """A whole number, such as a number of beats."""

    def __init__(self, **options: Any) -> None:
        widget = forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"})
        super().__init__(widget=widget, **options)

    def to_python(self, value: Any) -> int | None:
        """Read the number."""
        text = _BLANKS.sub("", str(value if value is not None else ""))
        if not text:
            return None
        if not _WHOLE.fullmatch(text) or len(text) > 9:
            raise forms.ValidationError(f"{self.label}: enter a whole number, such as 30.", code="not_a_number")
        return int(text)


class MomentField(forms.DateTimeField):
    """A date and time to the second, in the clock of this installation."""

    def __init__(self, **options: Any) -> None:
        widget = forms.DateTimeInput(format="%Y-%m-%dT%H:%M:%S", attrs={"type": "datetime-local", "step": "1"})
        super().__init__(widget=widget, **options)
        self.error_messages |= {
            "required": f"{self.label}: enter the date and time.",
            "invalid": f"{self.label}: enter a date and time, such as 02/03/2026 14:05.",
        }

    def prepare_value(self, value: Any) -> Any:
        """Show a stored moment in local time, to the second."""
        if isinstance(value, dt.datetime):
            return (timezone.localtime(value) if timezone.is_aware(value) else value).replace(microsecond=0)
        return value


def pick(choices: Any, label: str, *, blank: str = "Choose", **options: Any) -> forms.ChoiceField:
    """Return a list in which nothing is chosen beforehand."""
    field = forms.ChoiceField(choices=[("", blank), *choices], label=label, **options)
    field.error_messages["required"] = f"{label}: choose one."
    return field


def radios(choices: Any, label: str, **options: Any) -> forms.ChoiceField:
    """Return radio buttons of which none is chosen beforehand."""
    field = forms.ChoiceField(choices=list(choices), label=label, widget=forms.RadioSelect, **options)
    field.error_messages["required"] = f"{label}: choose one."
    return field


def words(label: str, *, lines: int = 3, **options: Any) -> forms.CharField:
    """Return a field for free text."""
    return forms.CharField(label=label, widget=forms.Textarea(attrs={"rows": lines}), max_length=4000, **options)


def offer(form: forms.Form, name: str, choices: Iterable[tuple[Any, Any]]) -> None:
    """Set what a choice field of this form offers."""
    cast(forms.ChoiceField, form.fields[name]).choices = list(choices)
