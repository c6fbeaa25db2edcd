"""What there is of a patient: rows of every table, and links written in the clear before links were sealed."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import connection, models
from django.db.models import Q, QuerySet

from registry.erasing import STORES
from registry.models import Change, Patient, PatientIdentity
from registry.models.trailed import trail_of
from registry.trail.content import BLANK
from registry.trail.owners import lookups_to_patients, paths_to_patients
from registry.trail.sealing import owners_of


def stands_for(patient: Patient) -> tuple[UUID, ...]:
    """Return the person's codes by key: this one, and those merged into it."""
    found: dict[UUID, None] = {patient.pk: None}
    rest = [patient.pk]
    while rest:
        rest = list(Patient.objects.filter(merged_into__in=rest).values_list("pk", flat=True))
        found |= dict.fromkeys(rest)
    return tuple(found)


@dataclass(frozen=True)
class Going:
    """What an erasure would remove: records by what they are called, files, and the codes merged into this one."""

    records: list[tuple[str, int]]
    files: int
    other_codes: list[str]


def what_would_go(patient: Patient) -> Going:
    """Return what an erasure of this patient would remove, as far as a person entered it."""
    codes = stands_for(patient)
    # What is linked within another record is part of that one.
    entered = [
        model
        for model in models_of_patients()
        if model not in (Patient, PatientIdentity) and not (trail_of(model).untrailed or trail_of(model).within)
    ]
    counted = [(str(model._meta.verbose_name_plural), rows_of(model, codes).count()) for model in entered]
    others = Patient.objects.filter(pk__in=codes).exclude(pk=patient.pk).order_by("code")
    return Going(
        records=sorted((name, count) for name, count in counted if count),
        files=sum(len(set(store.of_patients(codes))) for store in STORES.values()),
        other_codes=list(others.values_list("code", flat=True)),
    )


def may_blank() -> bool:
    """Say whether the role of the database may blank links; the role that serves pages may only add them."""
    if connection.vendor != "postgresql":
        return True
    with connection.cursor() as cursor:
        cursor.execute("SELECT has_table_privilege(%s, 'UPDATE')", [Change._meta.db_table])
        return bool(cursor.fetchone()[0])


def models_of_patients() -> list[type[models.Model]]:
    """Return the models whose rows tell of patients, each before those it refers to."""
    ours = [model for model in apps.get_models() if hasattr(model, "handling") and paths_to_patients(model)]
    ordered: list[type[models.Model]] = []
    while ours:
        referred = {
            field.related_model for model in ours for field in model._meta.concrete_fields if field.related_model
            and field.related_model is not model
        }  # fmt: skip
        free = [model for model in ours if model not in referred]
        ordered += free
        ours = [model for model in ours if model in referred]
    return ordered


def rows_of(model: type[models.Model], patients: Collection[UUID]) -> QuerySet[Any]:
    """Return a model's rows that tell of any of these patients."""
    condition = Q()
    for lookup in lookups_to_patients(model):
        condition |= Q(**{f"{lookup}__in": patients})
    return model._base_manager.filter(condition)


def links_to_blank(centre: UUID, patients: Collection[UUID]) -> list[Change]:
    """Return the links that tell of these patients and are not closed by destroying their keys.

    They were written in the clear, also about records that are no more; or they are sealed under another patient's key,
    because the record belonged there while a merge stood that was undone later.
    """
    clear = list(_clear(centre))
    owners: dict[UUID, set[UUID]] = defaultdict(set)
    for change in clear:
        owners[change.record_id] |= _referred(change)
    known = set(patients)
    for model in models_of_patients():
        # What has links has a UUID for a key.
        known.update(key for key in rows_of(model, patients).values_list("pk", flat=True) if isinstance(key, UUID))
    grown = True
    while grown:
        # A link tells whose its record is by the relation the record had; so a record is found through others.
        found = {key for key, referred in owners.items() if key not in known and not referred.isdisjoint(known)}
        known |= found
        grown = bool(found)
    elsewhere = [change for change in _sealed(centre, known) if set(patients).isdisjoint(owners_of(change.values))]
    return [change for change in clear if change.record_id in known] + elsewhere


def _sealed(centre: UUID, keys: set[UUID]) -> Iterator[Change]:
    ordered = sorted(keys)
    for start in range(0, len(ordered), 500):
        among = ordered[start : start + 500]
        yield from Change.objects.filter(centre_id=centre, record_id__in=among, values__startswith="sealed ")


def _clear(centre: UUID) -> QuerySet[Change]:
    kinds = [model._meta.label_lower for model in models_of_patients()]
    links = Change.objects.filter(centre_id=centre, record_type__in=kinds).order_by("sequence")
    return links.exclude(values__startswith="sealed ").exclude(values=BLANK).exclude(action="erased")


def _referred(change: Change) -> set[UUID]:
    """Return the keys of the records on the way from a link's record to its patients."""
    model: type[models.Model] = apps.get_model(change.record_type)
    try:
        held = json.loads(change.values)
        states = [held.get("old", {}), held.get("new", {})]
    except (ValueError, AttributeError):
        return set()
    found: set[UUID] = set()
    for way in paths_to_patients(model):
        for state in states:
            if way and isinstance(value := state.get(f"{way[0]}_id"), str):
                found.add(UUID(value))
    return found
