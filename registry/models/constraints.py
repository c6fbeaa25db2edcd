"""Small builders for CHECK constraints, so that a rule reads the same in every model."""

from __future__ import annotations

import re

from django.db.models import CheckConstraint, F, Q

# A constraint whose error belongs beside one field says so in its code; registry.services.records reads it.
FIELD_CODE = "field:"
# How :func:`within` words a range, which forms put the quantity's name and unit into.
RANGE = re.compile(r"^Enter a value from (\S+) to (\S+), ")


def within(table: str, field: str, low: float, high: float) -> CheckConstraint:
    """Refuse values outside the closed range; missing stays allowed where the field is nullable."""
    inside = Q(**{f"{field}__gte": low, f"{field}__lte": high})
    return CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | inside,
        name=f"{table}_{field}_range",
        violation_error_message=f"Enter a value from {low:g} to {high:g}, or leave it empty.",
        violation_error_code=f"{FIELD_CODE}{field}",
    )


def one_of(table: str, field: str, values: list[str]) -> CheckConstraint:
    """Refuse words that are not in the list."""
    return CheckConstraint(condition=Q(**{f"{field}__in": values}), name=f"{table}_{field}_known")


def one_of_or_none(table: str, field: str, values: list[str]) -> CheckConstraint:
    """Refuse words that are not in the list; missing is allowed."""
    return CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | Q(**{f"{field}__in": values}), name=f"{table}_{field}_known"
    )


def in_order(table: str, earlier: str, later: str) -> CheckConstraint:
    """Refuse an end before its beginning; either may be missing."""
    condition = Q(**{f"{earlier}__isnull": True}) | Q(**{f"{later}__isnull": True}) | Q(**{f"{later}__gte": F(earlier)})
    return CheckConstraint(
        condition=condition,
        name=f"{table}_{later}_after_{earlier}"[:63],
        violation_error_message="The end is before the start.",
        violation_error_code=f"{FIELD_CODE}{later}",
    )


def both_or_neither(table: str, first: str, second: str) -> CheckConstraint:
    """Refuse half a pair, such as who signed without when."""
    condition = Q(**{f"{first}__isnull": True, f"{second}__isnull": True}) | Q(
        **{f"{first}__isnull": False, f"{second}__isnull": False}
    )
    return CheckConstraint(condition=condition, name=f"{table}_{first}_with_{second}"[:63])


def below(table: str, smaller: str, larger: str, message: str) -> CheckConstraint:
    """Refuse a value that is not below another one; either may be missing."""
    condition = (
        Q(**{f"{smaller}__isnull": True}) | Q(**{f"{larger}__isnull": True}) | Q(**{f"{smaller}__lt": F(larger)})
    )
    return CheckConstraint(
        condition=condition,
        name=f"{table}_{smaller}_below_{larger}"[:63],
        violation_error_message=message,
        violation_error_code=f"{FIELD_CODE}{smaller}",
    )
