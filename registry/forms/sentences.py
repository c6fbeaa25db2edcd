"""What a form says of an answer that is missing or cannot be used, where its field has no sentence of its own.

The form library would say "This field is required." and the like; every field of every page is completed here.
"""

from __future__ import annotations

from collections.abc import Callable

from django import forms

INCOMPLETE = "This page is incomplete. Reload it and enter the data again."


def complete(field: forms.Field, label: str, *, hidden: bool) -> None:
    """Replace the library's sentences of a form's field by ours; what the field says by itself stays."""
    said = field.error_messages
    library = _of_the_library(field)
    ours = dict.fromkeys(library | _OF_VALIDATORS, INCOMPLETE) if hidden else _sentences(field, label)
    for code, sentence in ours.items():
        if code not in said or said[code] == library.get(code):
            said[code] = sentence


_IN_WORDS = {"s": "the seconds", "ms": "the milliseconds", "min": "the minutes"}
# Codes of the library's validators that fields carry without a message of their own.
_OF_VALIDATORS = dict.fromkeys(("max_length", "min_length", "max_value", "min_value", "null_characters_not_allowed"))


def _of_the_library(field: forms.Field) -> dict[str, object]:
    messages: dict[str, object] = {}
    for one in reversed(type(field).__mro__):
        if one.__module__.startswith("django."):
            messages |= vars(one).get("default_error_messages", {})
    return messages


def _sentences(field: forms.Field, label: str) -> dict[str, str]:
    def about(request: str) -> str:
        return f"{label} {request[0].upper()}{request[1:]}" if label.endswith("?") else f"{label}: {request}"

    listed = isinstance(field.widget, forms.RadioSelect | forms.CheckboxSelectMultiple)
    one_of_them = about("choose one of the options shown." if listed else "choose one from the list.")
    return {
        "required": _asked_for(field, label, about),
        "invalid": about(_usable(field)),
        "invalid_choice": one_of_them,
        "invalid_list": one_of_them,
        "invalid_pk_value": one_of_them,
        "missing": about("the file was not sent. Choose it again."),
        "empty": about("the file is empty. Choose another."),
        "max_length": about("use at most %(limit_value)d characters; there are %(show_value)d.")
        if not isinstance(field, forms.FileField)
        else about("the file name is too long. Use at most %(max)d characters."),
        "min_length": about("use at least %(limit_value)d characters; there are %(show_value)d."),
        "max_value": about("enter at most %(limit_value)s."),
        "min_value": about("enter at least %(limit_value)s."),
        "null_characters_not_allowed": about("type it again; it contains a character that cannot be stored."),
    }


def _asked_for(field: forms.Field, label: str, about: Callable[[str], str]) -> str:
    unit: str | None = getattr(field, "unit", None)
    if isinstance(field, forms.BooleanField):
        return f"Tick the box: {label}."
    if isinstance(field, forms.FileField):
        return about("choose a file.")
    if isinstance(field, forms.ChoiceField):
        return about("choose one answer." if isinstance(field.widget, forms.RadioSelect) else "choose one.")
    if isinstance(field, forms.DateTimeField):
        return about("enter the date and time.")
    if isinstance(field, forms.DateField):
        return about("enter a date.")
    if unit is not None or isinstance(field, forms.IntegerField):
        unit = unit or ""
        return about(f"enter {_IN_WORDS.get(unit) or (f'a number in {unit}' if unit else 'a number')}.")
    return f"Enter {_in_a_sentence(label)}."


def _in_a_sentence(label: str) -> str:
    """Return a label as it stands in the middle of a sentence: "the hospital number", "your password"."""
    first, rest = label[:1], label[1:]
    small = label if rest[:1].isupper() else first.lower() + rest
    return small if small.startswith("your ") else f"the {small}"


def _usable(field: forms.Field) -> str:
    if isinstance(field, forms.DateTimeField):
        return "enter a date and time, such as 02/03/2026 14:05."
    if isinstance(field, forms.DateField):
        return "enter the date as year-month-day, such as 2024-03-27."
    if isinstance(field, forms.IntegerField):
        return "enter a whole number, such as 30." if not isinstance(field, forms.FloatField) else "enter a number."
    if isinstance(field, forms.FileField):
        return "the file was not sent. Choose it again."
    return "this cannot be used. Enter it again."
