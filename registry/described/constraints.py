"""Judging values by a model's own constraints in memory: a hundred thousand rows cannot each ask the database."""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import Any, cast

from django.db import models
from django.db.models import F, Q

from registry.models.constraints import FIELD_CODE

Judge = Callable[[models.Model], bool | None]


@lru_cache(maxsize=512)
def hard_range(model: type[models.Model], name: str) -> tuple[float | None, float | None]:
    """Return the closed range that the model's constraints hold a field to; None where there is no limit."""
    low: float | None = None
    high: float | None = None
    for constraint in model._meta.constraints:
        if not isinstance(constraint, models.CheckConstraint) or _names(constraint.condition) != {name}:
            continue
        for lookup, limit in _leaves(constraint.condition):
            if isinstance(limit, int | float) and not isinstance(limit, bool):
                if lookup == f"{name}__gte":
                    low = float(limit)
                elif lookup == f"{name}__lte":
                    high = float(limit)
    return low, high


def _leaves(condition: Any) -> Iterator[tuple[str, Any]]:
    for child in getattr(condition, "children", ()):
        if isinstance(child, tuple):
            yield child
        else:
            yield from _leaves(child)


def _names(condition: Any) -> set[str]:
    names = set()
    for lookup, value in _leaves(condition):
        names.add(lookup.split("__")[0])
        if isinstance(value, F):
            names.add(value.name)
    return names


def broken(record: models.Model) -> Iterator[tuple[str, str]]:
    """Yield the field and the message of every check constraint that a record breaks.

    A message that belongs beside no single field comes with an empty name.
    """
    for constraint, judge in _checks(type(record)):
        if judge(record) is False:
            yield _said(type(record), constraint)


@lru_cache(maxsize=64)
def _checks(model: type[models.Model]) -> tuple[tuple[models.CheckConstraint, Judge], ...]:
    checks = [one for one in model._meta.constraints if isinstance(one, models.CheckConstraint)]
    return tuple((one, judge_of(model, one.condition)) for one in checks)


@lru_cache(maxsize=512)
def _words_of(model: type[models.Model], name: str) -> str:
    return str(column_of(model, name).verbose_name)


def column_of(model: type[models.Model], name: str) -> models.Field:
    """Return a field that is a column of its own."""
    return cast("models.Field", model._meta.get_field(name))


def _said(model: type[models.Model], constraint: models.CheckConstraint) -> tuple[str, str]:
    code = constraint.violation_error_code or ""
    place = code.removeprefix(FIELD_CODE) if code.startswith(FIELD_CODE) else ""
    if constraint.violation_error_message == constraint.default_violation_error_message:
        names = sorted(_names(constraint.condition))
        words = ", ".join(_words_of(model, name) for name in names)
        return (place or (names[0] if len(names) == 1 else "")), f"these values contradict each other: {words}"
    return place, str(constraint.violation_error_message)


def judge_of(model: type[models.Model], condition: Any) -> Judge:
    """Return a function that says what a condition says of a record, in the database's values: true, false, unknown.

    Raises
    ------
    NotImplementedError
        For a comparison that is not known here; a test holds every importable model to those that are.
    """
    if isinstance(condition, tuple):
        return _leaf(model, *condition)
    if not isinstance(condition, Q) or condition.connector not in (Q.AND, Q.OR):
        raise NotImplementedError(f"{condition!r} cannot be judged in memory.")
    parts = [judge_of(model, child) for child in condition.children]
    # One false settles an "and", one true an "or"; an unknown part leaves open what is not settled.
    settles = condition.connector == Q.OR
    negated = condition.negated

    def judge(record: models.Model) -> bool | None:
        answer: bool | None = not settles
        for part in parts:
            said = part(record)
            if said is settles:
                answer = settles
                break
            if said is None:
                answer = None
        return answer if not negated or answer is None else not answer

    return judge


_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {
    "": operator.eq,
    "exact": operator.eq,
    "gt": operator.gt,
    "gte": operator.ge,
    "lt": operator.lt,
    "lte": operator.le,
    "in": lambda held, wanted: held in wanted,
    "range": lambda held, wanted: wanted[0] <= held <= wanted[1],
}


def _leaf(model: type[models.Model], lookup: str, wanted: Any) -> Judge:
    name, _, comparison = lookup.partition("__")
    column = column_of(model, name).attname
    if comparison == "isnull":
        return lambda record: (getattr(record, column) is None) is wanted
    if comparison not in _COMPARISONS:
        raise NotImplementedError(f"'{lookup}' cannot be judged in memory.")
    compare = _COMPARISONS[comparison]
    other = column_of(model, wanted.name).attname if isinstance(wanted, F) else ""

    def judge(record: models.Model) -> bool | None:
        held = getattr(record, column)
        against = getattr(record, other) if other else wanted
        return None if held is None or against is None else bool(compare(held, against))

    return judge
