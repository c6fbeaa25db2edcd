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
from django.db.models import Q, QuerySet

from registry.access import Right, centres_for
from registry.models import Change, Patient, User
from registry.models.encrypted import EncryptedTextField
from registry.models.trailed import trail_of
from registry.trail.content import Line, opened

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
    """One link of the trail as it is shown; ``unread`` is what is shown where it cannot be read."""

    change: Change
    action: str
    fields: list[FieldChange]
    reason: str = ""
    unread: str = ""


def changes_of(user: User, record_type: str, key: UUID) -> QuerySet[Change]:
    """Return the changes of one record, the latest first.

    Raises
    ------
    ObjectDoesNotExist
        When the trail knows no such record in a centre where the user may see its kind.
    """
    right = _RIGHTS.get(record_type, Right.SEE_SESSIONS)
    about = Q(record_type=record_type, record_id=key)
    # What is linked with another record is told of in that one's links.
    if head := _head_of(record_type, key):
        about |= Q(record_type=head[0], record_id=head[1])
    found = Change.objects.filter(about, centre_id__in=centres_for(user, right).values("pk")).order_by(
        "-at", "-sequence"
    )
    if not found.exists():
        raise Change.DoesNotExist(f"The change trail has no {record_type} {key}.")
    return found


def _head_of(record_type: str, key: UUID) -> tuple[str, UUID] | None:
    model = _model(record_type)
    if model is None or not (within := trail_of(model).within):
        return None
    head = model._default_manager.filter(pk=key).values_list(f"{within}_id", flat=True).first()
    related: Any = model._meta.get_field(within).related_model
    return (related._meta.label_lower, head) if head else None


def _model(record_type: str) -> type[models.Model] | None:
    """Return the model of a kind; nothing for a kind that is no more."""
    try:
        return apps.get_model(record_type)
    except (LookupError, ValueError):
        return None


def owner_of(record_type: str, key: UUID) -> UUID | None:
    """Return the key of the patient a record belongs to; the trail was asked before, so the person may see it."""
    model = _model(record_type)
    if model is None:
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


def _names(lines: list[Line], members: list[Line]) -> dict[str, str]:
    """Return what the linked records and the members are called, in one query a kind of record."""
    wanted: dict[type[models.Model], set[str]] = defaultdict(set)
    for line in members:
        if (model := _model(line.kind)) is not None:
            wanted[model].add(str(line.record))
    for line in (*lines, *members):
        model = _model(line.kind)
        for state in (line.old, line.new):
            for name, value in state.items():
                field = _field(model, name)
                if value and field is not None and field.is_relation:
                    wanted[field.related_model].add(value)  # type: ignore[index] # a relation has one
    called = {}
    for model, keys in wanted.items():
        for key, record in model._default_manager.in_bulk(keys).items():
            # A model's own words may need further queries; a name or code of its own does not.
            words = (getattr(record, name, None) for name in ("full_name", "username", "code", "label", "name", "key"))
            called[str(key)] = next(
                (str(word) for word in words if word), f"{model._meta.verbose_name} {str(key)[-6:]}"
            )
    return called


def _shown(field: models.Field[Any, Any] | None, value: Any, called: dict[str, str]) -> str:
    if value in _EMPTY:
        return "nothing"
    if isinstance(field, EncryptedTextField):
        # Without the hash that the trail keeps of it.
        return str(value)[: str(value).find(")") + 1]
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


_UNREAD = {
    "erased": "The patient was erased, so this cannot be read any more.",
    "closed": "This is sealed under a key that is not there.",
    "damaged": "This cannot be read.",
}


def rows(changes: Iterable[Change], record_type: str, key: UUID) -> list[ChangeRow]:
    """Return changes of one record field by field, in the words of their models, with names of what they link to."""
    told: list[tuple[Line, list[Line]]] = []
    for one in opened(list(changes)):
        if one.change.record_type != record_type:
            if line := one.line_about(record_type, key):
                told.append((line, []))
            continue
        linked = [one.line_about(kind, member) for kind, keys in one.members().items() for member in keys]
        told.append((one.line(), [line for line in linked if line]))
    called = _names([line for line, _ in told], [member for _, members in told for member in members])
    return [
        ChangeRow(
            line.change,
            line.action,
            _fields(line, called) + [one for part in members for one in _fields(part, called, named=True)],
            line.reason,
            _UNREAD.get(line.lost, ""),
        )
        for line, members in told
    ]


def _fields(line: Line, called: dict[str, str], *, named: bool = False) -> list[FieldChange]:
    """Return the fields of one line; ``named`` puts what it is about before each."""
    model, about = _model(line.kind), ""
    if named and model is not None:
        about = f"{model._meta.verbose_name} {called.get(str(line.record), '')}".strip() + ": "

    def label(field: models.Field[Any, Any] | None, name: str) -> str:
        words = about + (str(field.verbose_name) if field is not None else name.replace("_", " "))
        return words if words[:1].isupper() else words[:1].upper() + words[1:]

    told = []
    for name in sorted({*line.old, *line.new}):
        old, new, field = line.old.get(name), line.new.get(name), _field(model, name)
        # A new record tells what it holds, not everything it does not.
        if name != "id" and not (line.action != "changed" and old in _EMPTY and new in _EMPTY):
            told.append(FieldChange(label(field, name), _shown(field, old, called), _shown(field, new, called)))
    return told
