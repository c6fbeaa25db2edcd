"""Codes that turned out to be another patient's second one: what moves with them, where they lead, what they refuse."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from registry.errors import RuleBroken
from registry.models import Patient, Record


def owned_by_patients() -> list[Any]:
    """Return the models whose rows belong to a patient and move with a merge; identifiers stay with their code."""
    return [
        relation.related_model
        for relation in Patient._meta.related_objects
        if relation.one_to_many
        and relation.field.name == "patient"
        and isinstance(relation.related_model, type)
        and issubclass(relation.related_model, Record)
    ]


def end_of(key: UUID, merged_into: Mapping[UUID, UUID | None]) -> UUID:
    """Follow merges, given as a mapping from each code to the one it was merged into, to the code that stands."""
    while following := merged_into.get(key):
        key = following
    return key


def ends_of(keys: Iterable[UUID]) -> set[UUID]:
    """Return the codes that stand for these; a query for each merge on the longest way."""
    ends: set[UUID] = set()
    rest = set(keys)
    while rest:
        rows = Patient.objects.filter(pk__in=rest).values_list("pk", "merged_into_id")
        rest = set()
        for key, following in rows:
            (rest if following else ends).add(following or key)
    return ends


def standing_code(patient: Patient) -> str:
    """Return the code that stands for a patient's: its own unless it was merged."""
    if not patient.merged_into_id:
        return patient.code
    return Patient.objects.get(pk__in=ends_of([patient.merged_into_id])).code


def refuse_merged(patient: Patient) -> None:
    """Refuse to write to a code that was merged; call it in the transaction that writes.

    The row is held until then, so that no merge comes in between.

    Raises
    ------
    RuleBroken
        With the code to write to.
    """
    locked = Patient.objects.select_for_update(no_key=True).get(pk=patient.pk)
    if locked.merged_into_id:
        code = standing_code(locked)
        message = f"{locked.code} was merged into {code}. Enter this for {code}. Nothing was saved."
        raise RuleBroken(message, fields={"patient": [message]})
