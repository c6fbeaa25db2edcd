"""Writing which generators and leads a session implanted, and which it took out of service."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.utils import timezone

from procedures.models import PartAct, ScannedPart, Session, SessionPart
from procedures.services.guard import put_in, writing
from registry.errors import RuleBroken
from registry.models import Device, User
from registry.services.course import put_device
from registry.services.records import change


def note_part(*, by: User, session: Session, device: Device, act: PartAct, reason: str = "") -> SessionPart:
    """Record the act on a part that is on the patient's record; the same again in the same session is a replay.

    Raises
    ------
    RuleBroken
        When another session has recorded it.
    """
    stored = SessionPart.objects.filter(device=device, act=act).first()
    if stored is not None:
        if stored.session_id != session.pk:
            raise RuleBroken("Another session has already recorded this for the device or lead.")
        return stored
    return put_in(session, SessionPart, {"device": device, "act": act}, by=by, reason=reason)


def implant_part(
    *,
    by: User,
    session: Session,
    key: UUID | None = None,
    label: ScannedPart | None = None,
    reason: str = "",
    **values: Any,
) -> Device:
    """Write a part that the session implanted; it belongs to the patient from the session's day on.

    ``label`` is the scanned label it is written from, if there is one; a label is one part's.

    Raises
    ------
    AccessDenied, RuleBroken, Conflict
        As for every record; ``SessionSigned`` when the session is signed and no reason is given.
    """
    with writing(session, by=by, summary="Part implanted", reason=reason) as locked:
        day = timezone.localdate(locked.started_at)
        device = put_device(by=by, patient=locked.patient, key=key, implanted_on=day, **values)
        note_part(by=by, session=locked, device=device, act=PartAct.IMPLANTED, reason=reason)
        if label is not None:
            _link(label, device, by=by, session=locked, reason=reason)
        return device


def _link(label: ScannedPart, device: Device, *, by: User, session: Session, reason: str) -> None:
    stored = ScannedPart.objects.select_for_update(no_key=True).get(pk=label.pk, session=session)
    if stored.device_id not in (None, device.pk):
        raise RuleBroken("The device or lead with this label is already recorded.")
    change(stored, by=by, centre_id=session.centre_id, values={"device": device}, version=None, reason=reason)


def explant_part(
    *,
    by: User,
    session: Session,
    device: Device,
    version: int,
    explant_reason: str,
    left_in_place: bool = False,
    reason: str = "",
) -> Device:
    """Write that the session took a part of its patient out of service.

    Raises
    ------
    RuleBroken
        When the part is another patient's, or was taken out of service already on another day.
    """
    with writing(session, by=by, summary="Part taken out of service", reason=reason) as locked:
        if device.patient_id != locked.patient_id:
            raise Device.DoesNotExist("This device or lead was not found.")
        day = timezone.localdate(locked.started_at)
        if device.explanted_on not in (None, day):
            raise RuleBroken("This device or lead was already taken out of service on another date.")
        changed = put_device(
            by=by,
            patient=locked.patient,
            key=device.pk,
            version=version,
            explanted_on=day,
            explant_reason=explant_reason,
            left_in_place=left_in_place,
        )
        note_part(by=by, session=locked, device=changed, act=PartAct.EXPLANTED, reason=reason)
        return changed
