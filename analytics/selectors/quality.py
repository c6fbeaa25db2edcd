"""How complete and how plausible a centre's records are, field by field. One query a kind of record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Count, F, Q

from registry.described.field import DescribedField, Sort
from registry.described.kind import RecordKind, queryable
from registry.models import Centre


@dataclass(frozen=True)
class FieldQuality:
    """One field of one kind of record: how many records there are, how many have it, how many hold an unusual value.

    ``unusual`` is None for a field without a usual range.
    """

    subject: str
    part: str
    field: str
    label: str
    unit: str
    total: int
    filled: int
    unusual: int | None
    usual: tuple[float, float] | None

    @property
    def missing(self) -> int:
        """The number of records without it."""
        return self.total - self.filled

    @property
    def percent(self) -> float:
        """How many of a hundred records have it."""
        return 100 * self.filled / self.total


def fields_of(subject: RecordKind) -> list[DescribedField]:
    """Return the fields that tell something when they are missing; what every record must have is never missing."""
    return [
        one
        for one in subject.worded_fields
        if one.sort is not Sort.TEXT and not one.required and one.name not in subject.may_be_empty
    ]


def missing(target: DescribedField) -> Q:
    """Return the condition of a field that is missing, or holds the word for no answer."""
    condition = Q(**{f"{target.name}__isnull": True})
    return condition | Q(**{target.name: target.no_answer}) if target.no_answer else condition


def unusual(subject: RecordKind, name: str) -> Q | None:
    """Return the condition of a value outside its usual range; None for a field that has none."""
    usual = subject.usual.get(name)
    return Q(**{f"{name}__lt": usual[0]}) | Q(**{f"{name}__gt": usual[1]}) if usual else None


def field_quality(centre: Centre) -> list[FieldQuality]:
    """Return every field of every kind of record of a centre; kinds without a record are left out."""
    found = []
    for subject in queryable().values():
        targets = [one for one in fields_of(subject) if one.name != subject.split]
        counts: dict[str, Any] = {"all_of_them": Count("pk")}
        for target in targets:
            counts[f"{target.name}__filled"] = Count("pk", filter=~missing(target))
            strange = unusual(subject, target.name)
            if strange is not None:
                counts[f"{target.name}__unusual"] = Count("pk", filter=strange)
        records = subject.of_centre(centre).order_by()
        rows = records.values(part=F(subject.split)).annotate(**counts).order_by("part") if subject.split else None
        for row in rows if rows is not None else [records.aggregate(**counts)]:
            if row["all_of_them"]:
                found += [_quality(subject, target, row) for target in targets]
    return found


def _quality(subject: RecordKind, target: DescribedField, row: dict[str, Any]) -> FieldQuality:
    part = row.get("part", "")
    field: Any = subject.model._meta.get_field(subject.split) if subject.split else None
    words = dict(field.flatchoices).get(part, part) if field else ""
    return FieldQuality(
        subject.label,
        str(words),
        target.name,
        target.label,
        target.unit,
        row["all_of_them"],
        row[f"{target.name}__filled"],
        row.get(f"{target.name}__unusual"),
        subject.usual.get(target.name),
    )
