"""Opening, describing and signing a session."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from procedures.models import EntryKind, LogEntry, Session, Status, StoredSignals
from procedures.selectors.snapshot import snapshot
from procedures.services.guard import put_in, writing
from procedures.services.responses import settle_responses
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.identity.merged import refuse_merged
from registry.models import Patient, User
from registry.services.codes import drawn_code, held_counter, note_codes
from registry.services.records import change, put


@transaction.atomic
def open_session(
    *, by: User, patient: Patient, key: UUID | None = None, code: str | None = None, **values: Any
) -> Session:
    """Open a session for a patient under the centre's next code, or under a code taken over from elsewhere.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When a value is refused.
    """
    require(by, patient.centre_id, Right.WRITE_SESSIONS)
    refuse_merged(patient)
    started_at = values.setdefault("started_at", timezone.now())
    if code:
        note_codes(patient.centre_id, Session, [code])
    else:
        counter = held_counter(patient.centre_id, f"S-{started_at:%Y}-")
        stored = Session.objects.filter(pk=key).first() if key else None
        code = stored.code if stored else drawn_code(counter, Session)
    session, _ = put(
        Session,
        by=by,
        centre_id=patient.centre_id,
        key=key,
        scope={"centre": patient.centre, "patient": patient},
        values=values | {"code": code},
    )
    return session


def describe_session(
    *, by: User, session: Session, version: int | None = None, reason: str = "", **values: Any
) -> Session:
    """Change what is recorded about the session as a whole: outcome, contrast, dose, end, notes."""
    with writing(session, by=by, summary="Session details", reason=reason) as locked:
        return change(locked, by=by, centre_id=locked.centre_id, values=values, version=version, reason=reason)


def put_session(
    *,
    by: User,
    key: UUID,
    patient: Patient,
    version: int | None = None,
    reason: str = "",
    **values: Any,
) -> Session:
    """Open a session under a key, or describe the one that is there; its patient stays.

    Raises
    ------
    ObjectDoesNotExist
        When the session is another patient's.
    """
    stored = Session.objects.filter(pk=key).first()
    if stored is None:
        return open_session(by=by, patient=patient, key=key, **values)
    if stored.patient_id != patient.pk:
        with transaction.atomic():
            refuse_merged(patient)
        raise Session.DoesNotExist
    return describe_session(by=by, session=stored, version=version or 0, reason=reason, **values)


def log(
    *,
    by: User,
    session: Session,
    kind: EntryKind | str,
    text: str = "",
    occurred_at: Any = None,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> LogEntry:
    """Write a timed entry; the same key again is a replay or, with its version, a correction.

    A corrected time keeps beside it the one that was logged first.
    """
    with writing(session, by=by, summary="Log entry", reason=reason) as locked:
        stored = LogEntry.objects.filter(pk=key).first() if key else None
        values = {"kind": kind, "text": text, "author": stored.author if stored else by}
        values["occurred_at"] = occurred_at or (stored.occurred_at if stored else timezone.now())
        if stored:
            moved = values["occurred_at"] != stored.occurred_at
            values["first_logged_at"] = stored.first_logged_at or (stored.occurred_at if moved else None)
        return put_in(locked, LogEntry, values, by=by, key=key, version=version, reason=reason)


def sign_session(*, by: User, session: Session, signed_at: dt.datetime | None = None) -> Session:
    """Sign: keep the content as it is now and lock it. Later changes are amendments.

    ``signed_at`` is for records taken over from elsewhere; the change trail says when that happened.

    Raises
    ------
    RuleBroken
        When it is signed already, or its outcome is not recorded.
    """
    require(by, session.centre_id, Right.SIGN)
    settle_responses(session)
    with writing(session, by=by, summary="Signature", right=Right.SIGN, reason="signing") as locked:
        if locked.status == Status.SIGNED:
            raise RuleBroken("This session is already signed.")
        if locked.outcome == "unknown":
            raise RuleBroken(
                "Record the outcome of the session before signing.",
                fields={"outcome": ["Choose the outcome of the session."]},
            )
        unread = StoredSignals.objects.filter(recording__session=locked, place="", state__in=StoredSignals.BUSY)
        if form := unread.select_related("recording").first():
            raise RuleBroken(
                f"The file {form.recording.original_name} is still being read. Sign when that is done, so that the "
                "signature covers what was read."
            )
        values = {
            "status": Status.SIGNED,
            "signed_by": by,
            "signed_at": signed_at or timezone.now(),
            "signed_content": snapshot(locked),
        }
        return change(locked, by=by, centre_id=locked.centre_id, values=values, version=None)
