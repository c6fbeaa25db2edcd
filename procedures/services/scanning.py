"""Writing what was scanned from the label of a part."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from uuid import UUID

from django.utils import timezone

from procedures.models import ScannedPart, Session
from procedures.services.guard import put_in, writing
from procedures.udi import LONGEST, read_label
from registry.errors import Conflict, RuleBroken
from registry.models import User

_LEADS_TO_A_PERSON = {"scanned_text", "serial_number"}


def put_scanned_part(
    *,
    by: User,
    session: Session,
    part: str,
    scanned_text: str,
    scanned_at: dt.datetime | None = None,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> ScannedPart:
    """Keep a scanned label with what it says.

    Raises
    ------
    RuleBroken
        When nothing was scanned, too much was, or the code was misread.
    """
    text = scanned_text.strip()
    if not 1 <= len(text) <= LONGEST:
        raise RuleBroken(
            "What was scanned needs correcting.",
            fields={"scanned_text": [f"Scan or enter 1 to {LONGEST} characters."]},
        )
    try:
        label = read_label(text)
    except ValueError as error:
        raise RuleBroken("What was scanned needs correcting.", fields={"scanned_text": [str(error)]}) from None
    with writing(session, by=by, summary="Scanned part", reason=reason) as locked:
        stored = ScannedPart.objects.filter(pk=key).first() if key else None
        values = asdict(label) | {
            "part": part,
            "scanned_text": text,
            "scanned_at": scanned_at or (stored.scanned_at if stored else timezone.now()),
            "author": stored.author if stored else by,
        }
        try:
            record = put_in(locked, ScannedPart, values, by=by, key=key, version=version, reason=reason)
        except Conflict as error:
            # A conflict is shown, and a tablet keeps it until it is settled; the serial number stays out of it.
            for version_shown in (error.yours, error.stored):
                for name in _LEADS_TO_A_PERSON & version_shown.keys():
                    version_shown[name] = "(not shown)"
            raise
        return record
