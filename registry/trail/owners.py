"""Whose record it is: the patients a record tells of, found along its relations."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any
from uuid import UUID

from django.db import models

from registry.models import Patient


@cache
def paths_to_patients(model: type[models.Model]) -> tuple[tuple[str, ...], ...]:
    """Return the shortest ways from a model's records to patients, as names of relations that are never empty.

    Two of them for a record about two patients; none where a record tells of no patient.
    """
    if model is Patient:
        return ((),)
    ways: list[tuple[type[models.Model], tuple[str, ...]]] = [(model, ())]
    seen = {model}
    while ways:
        found: list[tuple[str, ...]] = []
        further: list[tuple[type[models.Model], tuple[str, ...]]] = []
        for at, way in ways:
            for field in at._meta.concrete_fields:
                other: Any = field.related_model
                if other is None or field.null:
                    continue
                if other is Patient:
                    found.append((*way, field.name))
                elif other not in seen:
                    seen.add(other)
                    further.append((other, (*way, field.name)))
        if found:
            return tuple(found)
        ways = further
    return ()


def lookups_to_patients(model: type[models.Model]) -> tuple[str, ...]:
    """Return the same as lookups of the database."""
    return tuple("__".join(way) or "pk" for way in paths_to_patients(model))


def patients_of(record: models.Model, old: Mapping[str, Any] | None = None) -> tuple[UUID, ...]:
    """Return the keys of the patients a record tells of, and of those it told of by its ``old`` values."""
    found: dict[UUID, None] = {}
    for way in paths_to_patients(type(record)):
        at: Any = record
        for step in way[:-1]:
            at = getattr(at, step)
        found[getattr(at, f"{way[-1]}_id") if way else at.pk] = None
        if old and len(way) == 1 and (before := old.get(f"{way[0]}_id")):
            found[UUID(before)] = None
    return tuple(found)
