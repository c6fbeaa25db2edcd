"""Writing the change trail, in the transaction of the change itself."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django.db import models, transaction
from django.utils import timezone

from registry.models import Change, PatientIdentity, TrailHead, User
from registry.models.encrypted import EncryptedTextField
from registry.trail.canonical import link, plain, text_of

_UNTRACKED = {"created_at", "updated_at", "version", "password", "last_login"}


def state_of(record: models.Model) -> dict[str, Any]:
    """Return a record's values for the trail. Encrypted fields appear only as changed or not, never in the clear."""
    values: dict[str, Any] = {}
    for field in record._meta.concrete_fields:
        if field.name in _UNTRACKED:
            continue
        value = getattr(record, field.attname)
        if isinstance(field, EncryptedTextField):
            value = None if value is None else "(encrypted)"
        values[field.attname] = plain(value)
    return values


def parts_of(change: Change) -> dict[str, Any]:
    """Return what the digest of a link covers."""
    return {
        "id": change.id,
        "centre": change.centre_id,
        "sequence": change.sequence,
        "at": change.at,
        "actor": change.actor_id,
        "actor_name": change.actor_name,
        "action": change.action,
        "type": change.record_type,
        "record": change.record_id,
        "values": change.values,
        "reason": change.reason,
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
) -> Change:
    """Append one change to the centre's chain. Must run inside the transaction that makes the change.

    Raises
    ------
    RuntimeError
        When called outside a transaction: a trail that could survive without its change is worth nothing.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("The change trail is written inside the transaction of the change.")
    head, _ = TrailHead.objects.select_for_update().get_or_create(centre_id=centre_id)
    new = {} if action == "deleted" else state_of(record)
    before = old or {}
    if action == "changed":
        new = {name: value for name, value in new.items() if before.get(name) != value}
        before = {name: before.get(name) for name in new}
    change = Change(
        centre_id=centre_id,
        sequence=head.sequence + 1,
        at=at or timezone.now(),
        actor_id=by.pk if by else None,
        actor_name=str(by) if by else "the system",
        action=action,
        record_type=record._meta.label_lower,
        record_id=record.patient_id if isinstance(record, PatientIdentity) else record.pk,
        values=text_of({"old": before, "new": new}),
        reason=reason,
        previous_digest=head.digest,
    )
    change.digest = link(head.digest, parts_of(change))
    change.save(force_insert=True)
    head.sequence, head.digest = change.sequence, change.digest
    head.save()
    return change
