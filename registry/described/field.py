"""A field described: read from its model and its form, so that a new one needs no second list."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from django import forms
from django.db import models

from registry.described.checks import not_in_the_future
from registry.described.constraints import hard_range
from registry.described.units import stored_unit, units_of
from registry.described.words import folded
from registry.models.encrypted import EncryptedTextField
from registry.numbers.outside import NotANumber, whole_number


class Sort(Enum):
    """How a cell is read."""

    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole number"
    DAY = "date"
    MOMENT = "date and time"
    WORD = "word of a list"


@dataclass(frozen=True)
class DescribedField:
    """A field that people fill in.

    ``words`` holds, folded, every word that is understood and the value it stands for. ``checks`` are validators of
    the model's and the form's field. ``when_missing`` is stored for an empty cell;
    ``no_answer`` is the stored word that says as much as an empty cell.
    """

    name: str
    label: str
    sort: Sort
    required: bool = False
    unit: str = ""
    words: dict[str, Any] = field(default_factory=dict)
    options: tuple[tuple[str, str], ...] = ()
    checks: tuple[Callable[[Any], None], ...] = ()
    when_missing: Any = None
    no_answer: str = ""
    identifies: bool = False
    low: float | None = None
    high: float | None = None
    longest: int | None = None
    hint: str = ""
    other_names: tuple[str, ...] = ()

    @property
    def units(self) -> dict[str, float]:
        """Return the units a column may be in, with factors to the stored one."""
        return units_of(self.name, self.unit)


def described_fields(
    model: type[models.Model],
    *shown_in: type[forms.Form],
    without: Iterable[str] = (),
) -> tuple[DescribedField, ...]:
    """Describe every field of a model that people fill, worded as in its forms."""
    made = {name: one for form in shown_in for name, one in form.base_fields.items()}
    left_out = {"id", "version", "created_at", "updated_at", *without}
    found = []
    for stored in model._meta.concrete_fields:
        if stored.name in left_out or stored.is_relation or not stored.editable:
            continue
        target = described_field(model, stored, made.get(stored.name))
        if target:
            found.append(target)
    return tuple(found)


def described_field(
    model: type[models.Model], stored: models.Field, shown: forms.Field | None
) -> DescribedField | None:
    """Describe one field; None for a sort of column that a cell cannot hold."""
    sort, options = _sort(stored, shown)
    if sort is None:
        return None
    low, high = hard_range(model, stored.name)
    default = stored.get_default() if stored.has_default() else None
    # The word that is stored for no answer: "not known", or what the form's list begins with.
    no_answer = getattr(shown, "empty", "") or ("unknown" if str(default) == "unknown" else "")
    left_out = bool(no_answer) or (shown is not None and not shown.required and default is not None)
    missing = (no_answer or default) if left_out else None if stored.null else "" if stored.blank else None
    label = str((shown.label if shown and shown.label else None) or stored.verbose_name)
    return DescribedField(
        stored.name,
        label[:1].upper() + label[1:],
        sort,
        required=not (stored.null or stored.blank or left_out),
        unit=getattr(shown, "unit", "") or stored_unit(stored.name),
        words=_words(stored, shown, options),
        options=options,
        checks=(*_validators(stored), *(shown.validators if shown else _PAST if sort is Sort.DAY else ())),
        when_missing=missing,
        no_answer=no_answer,
        identifies=isinstance(stored, EncryptedTextField),
        low=low,
        high=high,
        longest=getattr(stored, "max_length", None),
        other_names=(str(stored.verbose_name),),
    )


# A day that no form words is a day that has happened, like every other one here.
_PAST = (not_in_the_future,)


def _validators(stored: models.Field) -> list[Callable[[Any], None]]:
    """Return the model field's own validators; lengths and choices are judged by the reading itself."""
    from django.core.validators import MaxLengthValidator

    given = stored.deconstruct()[3].get("validators", ())
    return [check for check in given if not isinstance(check, MaxLengthValidator)]


def _sort(stored: models.Field, shown: forms.Field | None) -> tuple[Sort | None, tuple[tuple[str, str], ...]]:
    if isinstance(stored, models.JSONField):
        return None, ()
    if isinstance(stored, models.BooleanField):
        return Sort.WORD, (("true", "Yes"), ("false", "No"))
    choices = stored.choices or (getattr(shown, "choices", None) if isinstance(shown, forms.ChoiceField) else None)
    if choices:
        flat = [(str(key), str(label)) for key, label in choices if not isinstance(label, list | tuple)]
        return Sort.WORD, tuple((key, label) for key, label in flat if key != "")
    if isinstance(stored, models.DateTimeField):
        return Sort.MOMENT, ()
    if isinstance(stored, models.DateField):
        return Sort.DAY, ()
    if isinstance(stored, models.FloatField | models.DecimalField):
        return Sort.NUMBER, ()
    if isinstance(stored, models.IntegerField):
        return Sort.WHOLE, ()
    if isinstance(stored, models.CharField | models.TextField):
        return Sort.TEXT, ()
    return None, ()


def _choice_number(key: str) -> int | None:
    """Return the number a choice stands for; an answer such as "not known" stands for none."""
    try:
        return whole_number(key, -1000, 1000)
    except NotANumber:
        return None


def _words(stored: models.Field, shown: forms.Field | None, options: tuple[tuple[str, str], ...]) -> dict[str, Any]:
    """Return the words understood for a field, with what each stands for: the stored word and its label."""
    words: dict[str, Any] = {}
    for key, label in options:
        value: Any = key
        if isinstance(stored, models.BooleanField):
            value = key == "true"
        elif isinstance(stored, models.IntegerField):
            value = _choice_number(key)
        words[folded(key)] = words[folded(label)] = value
    return words
