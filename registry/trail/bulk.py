"""Many lines of the change trail at once: the same chain, worked out in memory and written in batches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db import models, transaction
from django.utils import timezone

from registry.models import PatientIdentity, TrailHead, User, new_key
from registry.trail import act
from registry.trail.canonical import encoded, linked, plain
from registry.trail.owners import patients_of
from registry.trail.record import COLUMNS, INSERT, content_of
from registry.trail.sealing import made_keys, sealed_with

# On PostgreSQL the trigger that moves the head runs once a statement, so a statement carries many rows.
BATCH = 1000
_ROW = "(" + ", ".join(["%s"] * 13) + ")"


def created_text(record: models.Model, reason: str) -> str:
    """Return what the line of a new record in the trail says, before it is sealed."""
    return encoded(content_of("created", record) | {"reason": reason})


def write_created(*, centre_id: UUID, by: User | None, records: Sequence[tuple[models.Model, str]]) -> int:
    """Append a line for each new record of a patient, given with :func:`created_text`. Returns how many.

    Raises
    ------
    RuntimeError
        When called outside a transaction.
    """
    connection = transaction.get_connection()
    if not connection.in_atomic_block:
        raise RuntimeError("The change trail is written inside the transaction of the change.")
    head, _ = TrailHead.objects.select_for_update(no_key=True).get_or_create(centre_id=centre_id)
    moment = timezone.now()
    actor_id, actor_name = (by.pk, str(by)) if by else (None, "the system")
    native = connection.features.has_native_uuid_field
    stored_at = connection.ops.adapt_datetimefield_value(moment)
    who = {"actor": plain(actor_id), "actor_name": actor_name, "at": plain(moment), "centre": str(centre_id)}

    def kept(key: UUID | None) -> Any:
        return key if native or key is None else key.hex

    owners = {record.pk: patients_of(record) for record, _ in records}
    keys = made_keys(owner for some in owners.values() for owner in some)
    sequence, digest = head.sequence, head.digest
    batch: list[list[Any]] = []
    for record, text in records:
        key = new_key()
        values = sealed_with(text, [(owner, keys[owner]) for owner in owners[record.pk]], link=key)
        record_id = record.patient_id if isinstance(record, PatientIdentity) else record.pk
        kind = record._meta.label_lower
        parts = {
            "action": "created",
            **who,
            "id": str(key),
            "reason": "",
            "record": str(record_id),
            "type": kind,
            "values": values,
        }
        sequence, previous = sequence + 1, digest
        digest = linked(previous, encoded(parts))
        row = [kept(key), kept(centre_id), stored_at, kept(actor_id), actor_name, "created", kind, kept(record_id)]
        act.note(key)
        batch.append([*row, values, "", sequence, previous, digest])
        if len(batch) == BATCH:
            _insert(connection, batch)
            batch = []
    _insert(connection, batch)
    return sequence - head.sequence


def _insert(connection: Any, rows: list[list[Any]]) -> None:
    if not rows:
        return
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            marks = ", ".join([_ROW] * len(rows))
            statement = f"INSERT INTO registry_change ({COLUMNS}) VALUES {marks}"  # noqa: S608 - words of ours
            cursor.execute(statement, [value for row in rows for value in row])
        else:
            cursor.executemany(INSERT, rows)
