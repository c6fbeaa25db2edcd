"""Taking entries of a tablet's outbox: each exactly once, however often it is sent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from procedures.models import BedsideEntry, Session
from procedures.services.undo import undo
from registry.errors import RuleBroken
from registry.models import Record, User

# Longer than any write takes; a process that died in the middle holds an entry up no longer than this.
LEASE = dt.timedelta(seconds=30)
# How far a tablet's clock may drift between an entry and its sending.
CLOCK_RUNS_OFF = dt.timedelta(minutes=1)


@dataclass(frozen=True)
class Envelope:
    """What a tablet says about an entry, beside its content."""

    client_uuid: UUID
    sequence: int
    kind: str
    record_key: str
    captured_at: dt.datetime
    captured_by: User
    sha256: str


class OtherContent(RuleBroken):
    """The tablet's key for an entry was used before, with other content."""

    code = "other_content"


class Removed(RuleBroken):
    """What an entry edits was taken back meanwhile; it is not brought back unasked."""

    code = "removed"
    status = 409


class InProgress(Exception):
    """The same entry is being written at this moment; ask again."""


class Waits(Exception):
    """The entry follows one that is not on the server."""


def version_after(session: Session, device: UUID, client_uuid: UUID) -> int:
    """Return the version a record had after an earlier entry of the same tablet.

    Raises
    ------
    Waits
        When that entry is not stored here.
    """
    earlier = BedsideEntry.objects.filter(
        centre=session.centre_id, device=device, client_uuid=client_uuid, answer__isnull=False
    ).first()
    if earlier is None:
        raise Waits
    return int(earlier.answer["version"])  # type: ignore[index] # asked for above


def take_back(*, by: User, session: Session, record: Record, device: UUID, client_uuid: UUID) -> None:
    """Undo a record by the times of the tablets that entered it and took it back.

    A tablet's clock is set right by what it showed when it sent, and believed only where that can be true: not before
    the session was opened, not after it was received, and no undoing before the entry. Else the server's time counts.
    """
    rows = BedsideEntry.objects.filter(session=session).select_related("session")
    ours = rows.get(device=device, client_uuid=client_uuid)
    first = rows.filter(record_key=ours.record_key, answer__isnull=False).order_by("received_at", "id").first()
    if first is None:
        return undo(by=by, record=record)
    # An edit of what was entered elsewhere makes it no younger.
    entered_at = min(_happened(first) or first.received_at, record.created_at)
    undone_at = _happened(ours)
    if undone_at is None or undone_at < entered_at:
        undone_at = timezone.now()
    if first.device == device:
        # What a tablet itself says was longer was longer.
        undone_at = max(undone_at, entered_at + (ours.captured_at - first.captured_at))
    return undo(by=by, record=record, entered_at=entered_at, undone_at=undone_at)


def _happened(row: BedsideEntry) -> dt.datetime | None:
    """Return when an entry was made by the server's clock; nothing where the tablet's times cannot be true."""
    try:
        moment = row.captured_at - dt.timedelta(seconds=row.clock_skew_s)
    except OverflowError:
        return None
    if not row.session.created_at - CLOCK_RUNS_OFF <= moment <= row.received_at + CLOCK_RUNS_OFF:
        return None
    return min(moment, row.received_at)


def take(
    *,
    by: User,
    session: Session,
    device: UUID,
    sent_at: dt.datetime,
    envelope: Envelope,
    write: Callable[[], dict[str, Any]],
) -> tuple[dict[str, Any], bool]:
    """Write an entry unless it is written already. Returns what ``write`` answered, and whether this is a replay.

    What ``write`` raises passes through, with nothing kept: the entry may then be sent again, also changed.

    Raises
    ------
    OtherContent
        When the same key came before with other content.
    InProgress
        When another request is writing it now.
    """
    row = _claim(by=by, session=session, device=device, sent_at=sent_at, envelope=envelope)
    if row.answer is not None:
        return row.answer, True
    ours = BedsideEntry.objects.filter(pk=row.pk, answer__isnull=True, lease_until=row.lease_until)
    try:
        with transaction.atomic():
            answer = write()
            # The attempt that took over the lease writes it; this one is undone.
            if not ours.update(answer=answer, lease_until=None):
                raise InProgress
    except BaseException:
        ours.delete()
        raise
    return answer, False


@transaction.atomic
def _claim(*, by: User, session: Session, device: UUID, sent_at: dt.datetime, envelope: Envelope) -> BedsideEntry:
    now = timezone.now()
    row, new = BedsideEntry.objects.select_for_update(no_key=True).get_or_create(
        centre_id=session.centre_id,
        device=device,
        client_uuid=envelope.client_uuid,
        defaults={
            "session": session,
            "sequence": envelope.sequence,
            "kind": envelope.kind,
            "record_key": envelope.record_key,
            "payload_sha256": envelope.sha256,
            "captured_by": envelope.captured_by,
            "sent_by": by,
            "captured_at": envelope.captured_at,
            "received_at": now,
            "clock_skew_s": (sent_at - now).total_seconds(),
            "lease_until": now + LEASE,
        },
    )
    if new:
        return row
    if row.payload_sha256 != envelope.sha256 or row.session_id != session.pk:
        raise OtherContent("This entry was sent before with different content. Enter it again.")
    if row.answer is None:
        if row.lease_until is not None and row.lease_until > now:
            raise InProgress
        row.lease_until = now + LEASE
        row.save(update_fields=["lease_until"])
    return row
