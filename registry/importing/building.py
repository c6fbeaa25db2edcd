"""What builders of records share: patients by their numbers, unique rules, running codes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from django.db import models

from registry.clinical.quantities import unusual
from registry.described.constraints import Judge, column_of, judge_of
from registry.described.field import DescribedField, Sort
from registry.described.table import Stored, Wrong
from registry.identity.merged import end_of
from registry.models import Centre, Patient
from registry.models.encrypted import digests

PATIENT_TARGETS = (
    DescribedField(
        "patient_number",
        "Patient's hospital number",
        Sort.TEXT,
        identifies=True,
        longest=60,
        other_names=("hospital number", "local identifier", "patient number"),
    ),
    DescribedField(
        "patient_code", "Patient's code", Sort.TEXT, longest=20, other_names=("patient", "patient code", "code")
    ),
)
WHOSE = tuple(target.name for target in PATIENT_TARGETS)


def unusual_values(values: Mapping[str, Any]) -> list[Wrong]:
    """Return a message for each measured number that is possible but unusual, as the forms have it."""
    return [(name, message) for name, messages in unusual(values).items() for message in messages]


class Patients:
    """Finds the patient a row is about, by hospital number or code, among those of one centre."""

    def __init__(self, centre: Centre) -> None:
        stored = list(
            Patient.objects.filter(centre=centre).values_list(
                "pk", "merged_into_id", "code", "identity__local_identifier_digest"
            )
        )
        # A code that was merged into another means the patient who holds its records.
        into = {pk: merged_into for pk, merged_into, _, _ in stored}
        rows = [(end_of(pk, into), code, found) for pk, _, code, found in stored]
        self._by_code = {code.casefold(): pk for pk, code, _ in rows}
        self._by_digest: dict[str, list[Any]] = {}
        for pk, _, found in rows:
            if found:
                self._by_digest.setdefault(found, []).append(pk)

    def meant(self, values: dict[str, Any]) -> tuple[Any, list[Wrong]]:
        """Take the two references out of the values, and return the key of the patient they mean."""
        number, code = values.pop("patient_number", None), values.pop("patient_code", None)
        if not number and not code:
            return None, [("patient_number", "the patient is missing")]
        found = set()
        if number:
            keys = list({key for one in digests(number) for key in self._by_digest.get(one, [])})
            if len(keys) != 1:
                what = "no patient of this centre has" if not keys else f"{len(keys)} patients of this centre have"
                return None, [("patient_number", f"{what} this hospital number")]
            found.add(keys[0])
        if code:
            if code.casefold() not in self._by_code:
                return None, [("patient_code", f"no patient of this centre has the code '{code[:30]}'")]
            found.add(self._by_code[code.casefold()])
        if len(found) > 1:
            return None, [("patient_code", "the hospital number and the code belong to different patients")]
        return found.pop(), []


class Unique:
    """Holds the unique constraints of a model against what is stored and what earlier rows made."""

    def __init__(self, model: type[models.Model], scope: models.Q, keys: Iterable[tuple[str, ...]] = ()) -> None:
        """``keys`` are further sets of fields by which a stored record is the same one again."""
        self._model = model
        constraints = [one for one in model._meta.constraints if isinstance(one, models.UniqueConstraint)]
        self._sets: list[tuple[tuple[str, ...], Judge | None, dict[Any, int], bool]] = []
        for names, condition, same in (
            *((tuple(one.fields), one.condition, False) for one in constraints if one.fields),
            *((tuple(names), None, True) for names in keys),
        ):
            columns = tuple(column_of(model, name).attname for name in names)
            rows = model._default_manager.filter(scope)
            if condition:
                rows = rows.filter(condition)
            judge = judge_of(model, condition) if condition else None
            self._sets.append((columns, judge, dict.fromkeys(rows.values_list(*columns), 0), same))

    def wrong(self, number: int, record: models.Model) -> Iterator[Wrong]:
        """Yield what stands in the way of a record; it counts as made from then on.

        Raises
        ------
        Stored
            When the same record is in the registry already.
        """
        for columns, condition, seen, same in self._sets:
            key = tuple(getattr(record, column) for column in columns)
            if None in key or (condition is not None and not condition(record)):
                continue
            first = seen.setdefault(key, number)
            if first == number:
                continue
            if same and not first:
                raise Stored
            shown = [column for column in columns if not column.endswith("_id")]
            words = " and ".join(str(column_of(self._model, name).verbose_name) for name in shown)
            where = f"row {first} of this file" if first else "a record that is already stored"
            yield (shown[0] if len(shown) == 1 else ""), f"has the same {words} as {where}"
