"""What a patient's copy of their own data holds: read from the tables and their declarations, not from a list."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any
from uuid import UUID

from django.db import models
from django.db.models import Q

from registry.models import Look, Member, Patient, PatientIdentity
from registry.models.declared import STAFF, handling_of
from registry.selectors.erasing import models_of_patients, rows_of
from registry.selectors.looks import PAGES

#: Tables that tell of a patient and are not in the copy, with the reason that the copy gives.
LEFT_OUT = {
    "registry.pairapart": "It compares this person with another person.",
    "procedures.bedsideentry": "It says how an entry was sent; the record that was entered is in the copy.",
    "procedures.storedsignals": "It says where a second form of a recording is stored.",
    "procedures.upload": "It says how far the upload of a file is.",
    "procedures.comparisonrun": "It says how far a calculation is; its results are in the copy.",
}
_SEARCH = "It is a code made from the hospital number, used for searching."
_FIELDS_LEFT_OUT = {"registry.patientidentity.local_identifier_digest": _SEARCH}
_STAFF = "It names or points to a member of staff."


@dataclass(frozen=True)
class CopyField:
    """A column of the copy, or one left out with the reason."""

    name: str
    label: str
    kind: str
    choices: dict[Any, str]
    left_out: str = ""


@dataclass(frozen=True)
class CopyTable:
    """A table of the copy."""

    model: type[models.Model]
    title: str
    fields: list[CopyField]

    @property
    def name(self) -> str:
        """Return the name of its files."""
        return self.model._meta.label_lower.replace(".", "-")

    @property
    def shown(self) -> list[CopyField]:
        """Return the columns that are in the copy."""
        return [field for field in self.fields if not field.left_out]

    def rows(self, patients: Collection[UUID]) -> Iterator[dict[str, Any]]:
        """Yield the rows that tell of these patients, by column, as values of JSON."""
        for record in rows_of(self.model, patients).order_by("pk").iterator(chunk_size=500):
            yield {field.name: _without_staff(_plain(getattr(record, field.name))) for field in self.shown}


def tables() -> list[CopyTable]:
    """Return the tables of a copy: the patient first, then by name."""
    included = [model for model in models_of_patients() if model._meta.label_lower not in LEFT_OUT]
    found = [CopyTable(model, _title(model), _fields(model)) for model in included]
    first = [Patient, PatientIdentity]
    return sorted(
        found, key=lambda one: (first.index(one.model) if one.model in first else len(first), one.title, one.name)
    )


def _fields(model: type[models.Model]) -> list[CopyField]:
    declared = handling_of(model)
    fields = []
    for field in model._meta.concrete_fields:
        reason = _STAFF if declared[field.name].reason == STAFF else ""
        reason = reason or _FIELDS_LEFT_OUT.get(f"{model._meta.label_lower}.{field.name}", "")
        if isinstance(field, models.BinaryField):
            reason = reason or "It is stored in a form that only this product reads."
        choices = {key: str(label) for key, label in field.flatchoices}
        fields.append(CopyField(field.attname, _words(field.verbose_name), _kind(field), choices, reason))
    return fields


def _title(model: type[models.Model]) -> str:
    return "Name and identifiers" if model is PatientIdentity else _words(model._meta.verbose_name_plural)


def _words(text: Any) -> str:
    said = str(text)
    return said[:1].upper() + said[1:]


def _kind(field: models.Field[Any, Any]) -> str:
    if field.is_relation:
        return "key of another record"
    for kind, word in (
        (models.DateTimeField, "time (ISO 8601)"),
        (models.DateField, "day (ISO 8601)"),
        (models.BooleanField, "yes or no"),
        (models.IntegerField, "whole number"),
        (models.FloatField, "number"),
        (models.DecimalField, "number"),
        (models.UUIDField, "key"),
        (models.JSONField, "structured values (JSON)"),
    ):
        if isinstance(field, kind):
            return word
    return "text"


def _plain(value: Any) -> Any:
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if isinstance(value, uuid.UUID | Decimal):
        return str(value)
    return value if isinstance(value, str | int | float | bool | list | dict | None) else str(value)


@cache
def _of_staff() -> frozenset[str]:
    """Return the names under which structured values, such as those of a signature, hold members of staff."""
    found = set()
    for model in models_of_patients():
        declared = handling_of(model)
        for field in model._meta.concrete_fields:
            if declared[field.name].reason == STAFF:
                found |= {field.name, field.attname}
    return frozenset(found)


def _without_staff(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_staff(part) for key, part in value.items() if key not in _of_staff()}
    return [_without_staff(part) for part in value] if isinstance(value, list) else value


LOOK_COLUMNS = ("at", "page", "role")


def looks_at(patient: Patient, patients: Collection[UUID]) -> Iterator[dict[str, str]]:
    """Yield who looked at the person's identifiers: when, on which page, in which role; latest first.

    Members of staff are told by the roles they held on that day, not by name.
    """
    held: dict[UUID, list[Member]] = defaultdict(list)
    for member in Member.objects.filter(centre_id=patient.centre_id):
        held[member.user_id].append(member)
    named = Q()
    for key in patients:
        named |= Q(patients__contains=str(key))
    for look in Look.objects.filter(named, centre_id=patient.centre_id).order_by("-at", "-id").iterator(chunk_size=500):
        day = look.at.date()
        then = {
            str(member.get_role_display())
            for member in held[look.user_id]
            if member.created_at.date() <= day and (member.ended_on is None or day <= member.ended_on)
        }
        roles = ", ".join(sorted(then)) or "Role not known"
        yield {"at": look.at.isoformat(), "page": PAGES.get(look.page, look.page), "role": roles}
