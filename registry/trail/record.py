"""Writing the change trail, in the transaction of the change itself."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any
from uuid import UUID

from django.db import models, transaction
from django.utils import timezone

from registry.models import Change, PatientIdentity, TrailHead, User
from registry.models.base import new_key
from registry.models.encrypted import EncryptedTextField
from registry.trail import act
from registry.trail.canonical import encoded, linked, plain
from registry.trail.gather import Gathered, gathering
from registry.trail.owners import paths_to_patients, patients_of
from registry.trail.sealing import sealed

_HEAD = "SELECT sequence, digest FROM registry_trailhead WHERE centre_id = %s"
COLUMNS = (
    'id, centre_id, at, actor_id, actor_name, action, record_type, record_id, "values", reason, sequence, '
    "previous_digest, digest"
)
INSERT = f"INSERT INTO registry_change ({COLUMNS}) VALUES ({', '.join(['%s'] * 13)})"  # noqa: S608 - words of ours
# PostgreSQL reads and locks the head, works out the digest and adds the link in one round trip.
_INSERT_AT_ONCE = (
    f"INSERT INTO registry_change ({COLUMNS}) SELECT {', '.join(['%s'] * 10)}, sequence + 1, digest, "  # noqa: S608
    "encode(sha256(convert_to(digest || chr(10) || %s, 'UTF8')), 'hex') "
    "FROM registry_trailhead WHERE centre_id = %s FOR UPDATE"
)
HIDDEN = "(encrypted)"
EMPTY: tuple[Any, ...] = (None, "", [], {})
_UNTRACKED = {"created_at", "updated_at", "version", "password", "last_login"}


@cache
def tracked(model: type[models.Model]) -> list[tuple[str, bool]]:
    fields = sorted(model._meta.concrete_fields, key=lambda field: field.attname)
    return [(field.attname, isinstance(field, EncryptedTextField)) for field in fields if field.name not in _UNTRACKED]


def state_of(record: models.Model) -> dict[str, Any]:
    """Return a record's values for the trail, by name; an encrypted one never in the clear."""
    return {
        name: _hidden(record, name) if encrypted else plain(getattr(record, name))
        for name, encrypted in tracked(type(record))
    }


def _hidden(record: models.Model, name: str) -> str | None:
    """Return what stands for an encrypted value: that it is there, and a hash that binds it to its row and column.

    A short value can be guessed from its hash, so the hash is left out where the link would not be sealed.
    """
    # Taken past the attribute: writing the trail is no look at the value.
    value = record.__dict__.get(name)
    if not value:
        return None if value is None else ""
    if not paths_to_patients(type(record)):
        return HIDDEN
    bound = f"{record._meta.label_lower}\n{record.pk}\n{name}\n{value}"
    return f"{HIDDEN} {hashlib.sha256(bound.encode()).hexdigest()}"


def parts_of(change: Change) -> dict[str, Any]:
    """Return what the digest of a link covers; its place in the line is what the digest before it stands for."""
    return {
        "action": change.action,
        "actor": change.actor_id,
        "actor_name": change.actor_name,
        "at": change.at,
        "centre": change.centre_id,
        "id": change.id,
        "reason": change.reason,
        "record": change.record_id,
        "type": change.record_type,
        "values": change.values,
    }


def write(
    *,
    centre_id: UUID,
    by: User | None,
    action: str,
    record: models.Model,
    old: dict[str, Any] | None = None,
    reason: str = "",
    at: dt.datetime | None = None,
) -> None:
    """Append one change to the centre's chain. Must run inside the transaction that makes the change.

    Within :func:`one_link` it may be kept until the act ends.

    Raises
    ------
    RuntimeError
        When called outside a transaction: a trail that could survive without its change is worth nothing.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("The change trail is written inside the transaction of the change.")
    content = content_of(action, record, old)
    open_act = gathering.get()
    if open_act is None or not open_act.take(action, record, content):
        append(centre_id=centre_id, by=by, action=action, record=record, content=content, reason=reason, at=at)


@contextmanager
def one_link(*, centre_id: UUID, by: User | None, reason: str = "") -> Iterator[None]:
    """Write what is done to a record and to what is linked with it as one link, at the end of the block."""
    gathered = Gathered()
    token = gathering.set(gathered)
    try:
        yield
    finally:
        gathering.reset(token)
    for group in gathered.groups.values():
        append(centre_id=centre_id, by=by, action=group.action, record=group.head, content=group.content, reason=reason)


def content_of(action: str, record: models.Model, old: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return what a link says of a change: of a new record what is not empty, of a changed one what is different."""
    if action == "deleted":
        return {"new": {}, "old": _filled(old or {}, record)}
    new, before = state_of(record), old or {}
    if action != "changed":
        return {"new": _filled(new, record), "old": before}
    new = {name: value for name, value in new.items() if before.get(name) != value}
    return {"new": new, "old": {name: before.get(name) for name in new}}


def _filled(state: dict[str, Any], record: models.Model) -> dict[str, Any]:
    """Leave out what is empty, and the key, which the link itself has."""
    key = record._meta.pk.attname
    return {name: value for name, value in state.items() if name != key and value not in EMPTY}


def append(
    *,
    centre_id: UUID,
    by: User | None,
    action: str,
    record: models.Model,
    content: dict[str, Any],
    reason: str = "",
    at: dt.datetime | None = None,
    clear: bool = False,
) -> None:
    """Append one link. What it says of a patient is sealed under that patient's key, unless it is ``clear``.

    Plain SQL, since this is part of every write. The head is moved by a trigger of the database.
    """
    connection = transaction.get_connection()
    key, moment = new_key(), at or timezone.now()
    record_id = record.patient_id if isinstance(record, PatientIdentity) else record.pk
    actor_id, actor_name = (by.pk, str(by)) if by else (None, "the system")
    if owners := () if clear else patients_of(record, content["old"]):
        values, reason = sealed(encoded(content | {"reason": reason}), owners, link=key), ""
    else:
        values = encoded(content)
    parts = {
        "action": action,
        "actor": plain(actor_id),
        "actor_name": actor_name,
        "at": plain(moment),
        "centre": str(centre_id),
        "id": str(key),
        "reason": reason,
        "record": str(record_id),
        "type": record._meta.label_lower,
        "values": values,
    }
    uuid = _native if connection.features.has_native_uuid_field else _hex
    row = [
        uuid(key),
        uuid(centre_id),
        connection.ops.adapt_datetimefield_value(moment),
        uuid(actor_id),
        actor_name,
        action,
        record._meta.label_lower,
        uuid(record_id),
        values,
        reason,
    ]
    add = _append_at_once if connection.vendor == "postgresql" else _append
    with connection.cursor() as cursor:
        if not add(cursor, row, encoded(parts)):
            TrailHead.objects.bulk_create([TrailHead(centre_id=centre_id)], ignore_conflicts=True)
            add(cursor, row, encoded(parts))
    act.note(key)


def _native(key: UUID | None) -> UUID | None:
    return key


def _hex(key: UUID | None) -> str | None:
    return None if key is None else key.hex


def _append_at_once(cursor: Any, row: list[Any], content: str) -> bool:
    cursor.execute(_INSERT_AT_ONCE, [*row, content, row[1]])
    return bool(cursor.rowcount)


def _append(cursor: Any, row: list[Any], content: str) -> bool:
    cursor.execute(_HEAD, [row[1]])
    if (head := cursor.fetchone()) is None:
        return False
    sequence, previous = head
    cursor.execute(INSERT, [*row, sequence + 1, previous, linked(previous, content)])
    return True
