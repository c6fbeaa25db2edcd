"""Reading the change trail of one record, as far as the viewing user may."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist
from django.db import models
from django.db.models import QuerySet

from registry.access import Right, centres_for
from registry.models import Change, Patient, User

# A text longer than this is cut on the page; the trail holds all of it.
LONGEST = 600
_EMPTY: tuple[Any, ...] = (None, "", [], {})
# Kinds whose trail is not for everybody who sees sessions.
_RIGHTS = {
    "registry.patientidentity": Right.SEE_IDENTITY,
    "registry.patientmerge": Right.OVERSEE_IDENTITY,
    "registry.pairapart": Right.OVERSEE_IDENTITY,
    "registry.user": Right.MANAGE_MEMBERS,
    "registry.member": Right.MANAGE_MEMBERS,
    "registry.centre": Right.MANAGE_MEMBERS,
    "analytics.cohortexport": Right.EXPORT_COHORT,
}


@dataclass(frozen=True)
class FieldChange:
    """One field: what it is called, what it was and what it is."""

    label: str
    old: str
    new: str


@dataclass(frozen=True)
class ChangeRow:
    """One link of the trail as it is shown."""

    change: Change
    fields: list[FieldChange]


def changes_of(user: User, record_type: str, key: UUID) -> QuerySet[Change]:
    """Return the changes of one record, the latest first.

    Raises
    ------
    ObjectDoesNotExist
        When the trail knows no such record in a centre where the user may see its kind.
    """
    right = _RIGHTS.get(record_type, Right.SEE_SESSIONS)
    found = Change.objects.filter(
        record_type=record_type, record_id=key, centre_id__in=centres_for(user, right).values("pk")
    ).order_by("-at", "-sequence")
    if not found.exists():
        raise Change.DoesNotExist(f"The change trail has no {record_type} {key}.")
    return found


def owner_of(record_type: str, key: UUID) -> UUID | None:
    """Return the key of the patient a record belongs to; the trail was asked before, so the person may see it."""
    try:
        model = apps.get_model(record_type)
    except (LookupError, ValueError):
        return None
    if model is Patient:
        path = "pk"
    elif "patient" in {field.name for field in model._meta.concrete_fields}:
        path = "patient"
    else:
        return None
    return model._default_manager.filter(pk=key).values_list(path, flat=True).first()


def _field(model: type[models.Model] | None, attname: str) -> models.Field[Any, Any] | None:
    if model is None:
        return None
    try:
        field = model._meta.get_field(attname.removesuffix("_id") if attname.endswith("_id") else attname)
    except FieldDoesNotExist:
        return None
    return field if isinstance(field, models.Field) else None


def _names(fields: dict[str, models.Field[Any, Any] | None], values: Iterable[dict[str, Any]]) -> dict[str, str]:
    """Return what the linked records are called, in one query a kind of record."""
    wanted: dict[type[models.Model], set[str]] = defaultdict(set)
    for state in values:
        for name, value in state.items():
            field = fields.get(name)
            if value and field is not None and field.is_relation:
                wanted[field.related_model].add(value)  # type: ignore[index] # a relation has one
    called = {}
    for model, keys in wanted.items():
        for key, record in model._default_manager.in_bulk(keys).items():
            # A model's own words may need further queries; a name or code of its own does not.
            words = (getattr(record, name, None) for name in ("full_name", "username", "code", "label", "name"))
            called[str(key)] = next(
                (str(word) for word in words if word), f"{model._meta.verbose_name} {str(key)[-6:]}"
            )
    return called


def _shown(field: models.Field[Any, Any] | None, value: Any, called: dict[str, str]) -> str:
    if value in _EMPTY:
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if field is not None and field.is_relation:
        return called.get(str(value), str(value))
    if field is not None and field.choices:
        return str(dict(field.flatchoices).get(value, value))
    if field is not None and isinstance(field, models.FloatField) and isinstance(value, str):
        return value.removesuffix(".0")
    if isinstance(field, models.DateTimeField):
        return str(value)[:19].replace("T", " ")
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]} … ({len(text)} characters)"


def rows(changes: Iterable[Change], record_type: str) -> list[ChangeRow]:
    """Return changes field by field, in the words of their model and with the names of what they link to."""
    try:
        model: type[models.Model] | None = apps.get_model(record_type)
    except (LookupError, ValueError):
        model = None
    links = [(change, json.loads(change.values)) for change in changes]
    states = [state for _, values in links for state in (values["old"], values["new"])]
    names = sorted({name for state in states for name in state})
    fields = {name: _field(model, name) for name in names}
    called = _names(fields, states)

    def label(name: str) -> str:
        field = fields[name]
        words = str(field.verbose_name) if field is not None else name.replace("_", " ")
        return words if words[:1].isupper() else words.capitalize()

    shown = []
    for change, values in links:
        old, new = values["old"], values["new"]
        told = [
            FieldChange(
                label(name), _shown(fields[name], old.get(name), called), _shown(fields[name], new.get(name), called)
            )
            for name in sorted({*old, *new})
            # A new record tells what it holds, not everything it does not.
            if name != "id" and not (change.action != "changed" and old.get(name) in _EMPTY and new.get(name) in _EMPTY)
        ]
        shown.append(ChangeRow(change, told))
    return shown
