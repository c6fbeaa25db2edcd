"""Fields that every room's forms use: numbers as text with their unit, answers without a preset, days."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from django import forms

from registry.described.checks import in_our_time, not_in_the_future
from registry.numbers.outside import NotANumber, decimal_number, whole_number

# Blanks of every kind, and the thin ones that keyboards and spreadsheets put between thousands.
_BLANKS = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)")
# A comma before three digits separates thousands for some and decimals for others: a factor of a thousand.
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")


class NumberField(forms.Field):
    """A decimal number in a text input, with a point or a comma; empty means not known. No spinner to turn by accident.

    Parameters
    ----------
    unit
        Shown behind the input and in the label, and named in messages.
    signed
        Whether a minus can be meant; some decimal pads have no minus key, so phones then need their full keyboard.
    """

    def __init__(self, label: str, unit: str = "", *, signed: bool = False, **options: Any) -> None:
        """Make the field."""
        self.unit = unit
        attributes = {"autocomplete": "off", "class": "number"} | ({} if signed else {"inputmode": "decimal"})
        super().__init__(label=label, widget=forms.TextInput(attrs=attributes), **options)

    def to_python(self, value: Any) -> float | None:
        """Read the number; a comma is a decimal comma where it cannot mean thousands."""
        if isinstance(value, float | int):
            return float(value)
        text = _BLANKS.sub("", str(value or "")).replace("−", "-")
        if not text:
            return None
        if not _NUMBER.fullmatch(text) or len(text) > 20:
            of = f", in {self.unit}" if self.unit else ""
            raise forms.ValidationError(f"{self.label}: enter only a number{of}.", code="not_a_number")
        if _THOUSANDS.fullmatch(text):
            plain, decimal = text.replace(",", ""), float(text.replace(",", "."))
            raise forms.ValidationError(
                f"{self.label}: {text} could mean {plain} or {decimal:g}. Enter it without a comma.",
                code="ambiguous",
            )
        return decimal_number(text.replace(",", "."), -1e20, 1e20)

    def prepare_value(self, value: Any) -> Any:
        """Show a stored number without needless digits."""
        return f"{value:.10g}" if isinstance(value, float) else value


class CountField(forms.Field):
    """A whole number, such as a number of beats."""

    def __init__(self, label: str, unit: str = "", **options: Any) -> None:
        """Make the field."""
        self.unit = unit
        widget = forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"})
        super().__init__(label=label, widget=widget, **options)

    def to_python(self, value: Any) -> int | None:
        """Read the number."""
        text = _BLANKS.sub("", str(value if value is not None else ""))
        if not text:
            return None
        try:
            return whole_number(text, 0, 999_999_999)
        except NotANumber:
            message = f"{self.label}: enter a whole number, such as 30."
            raise forms.ValidationError(message, code="not_a_number") from None


class AnswerField(forms.ChoiceField):
    """One answer of a few, as radio buttons of which none is chosen beforehand."""

    widget = forms.RadioSelect

    def __init__(self, label: str, choices: Iterable[tuple[str, str]], **options: Any) -> None:
        """Make the field; an answer is asked for, so "Not known" belongs among the choices."""
        super().__init__(label=label, choices=list(choices), **options)


class ListField(forms.ChoiceField):
    """One answer of a list, for what is often not known: the first entry says so and nothing has to be chosen."""

    def __init__(self, label: str, choices: Iterable[tuple[str, str]], *, empty: str, **options: Any) -> None:
        """Make the field; ``empty`` is the value that stands for no answer."""
        super().__init__(label=label, choices=list(choices), required=False, initial=empty, **options)
        self.empty = empty

    def clean(self, value: Any) -> str:
        """Return the answer; none given is the one that stands for it."""
        return str(super().clean(value) or self.empty)


class YesNoField(forms.TypedChoiceField):
    """Yes, no, or not recorded, which is None."""

    def __init__(self, label: str, **options: Any) -> None:
        """Make the field."""
        choices = [("", "Not recorded"), ("yes", "Yes"), ("no", "No")]
        super().__init__(
            label=label,
            choices=choices,
            required=False,
            coerce=lambda value: value == "yes",
            empty_value=None,
            **options,
        )

    def prepare_value(self, value: Any) -> Any:
        """Show a stored answer."""
        return {True: "yes", False: "no", None: ""}.get(value, value)


class DayField(forms.DateField):
    """A day up to today: what is recorded has happened."""

    default_validators = [not_in_the_future, in_our_time]

    def __init__(self, label: str, **options: Any) -> None:
        """Make the field."""
        widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
        super().__init__(label=label, input_formats=["%Y-%m-%d"], widget=widget, **options)


class WordsField(forms.CharField):
    """A short text."""

    def __init__(self, label: str, *, max_length: int = 80, **options: Any) -> None:
        """Make the field."""
        super().__init__(label=label, max_length=max_length, **options)
        self.widget.attrs.setdefault("autocomplete", "off")
