"""Reading which parts a session implanted or took out, and which it could."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from procedures.models import Part, PartAct, ScannedPart, Session, SessionPart
from registry.errors import RuleBroken
from registry.models import Device

# What was scanned at the table -> kind and chamber of the part on the patient's record.
_MEANT = {
    Part.LV_LEAD: ("lead", "lv"),
    Part.RV_LEAD: ("lead", "rv"),
    Part.RA_LEAD: ("lead", "ra"),
    Part.GENERATOR: ("generator", ""),
}


@dataclass(frozen=True)
class Parts:
    """What the page of parts shows: acts of this session, parts still in service, labels scanned and not yet used."""

    implanted: list[Device]
    taken_out: list[Device]
    in_service: list[Device]
    scanned: list[ScannedPart]


def parts_of(session: Session) -> Parts:
    """Return the parts of a session and of its patient."""
    acts = list(SessionPart.objects.filter(session=session).select_related("device"))
    owned = list(Device.objects.filter(patient=session.patient_id))
    return Parts(
        implanted=[one.device for one in acts if one.act == PartAct.IMPLANTED],
        taken_out=[one.device for one in acts if one.act == PartAct.EXPLANTED],
        in_service=[one for one in owned if one.explanted_on is None],
        scanned=list(ScannedPart.objects.filter(session=session, part__in=_MEANT, device__isnull=True)),
    )


def label_of(session: Session, key: UUID) -> ScannedPart:
    """Return a label scanned in the session, to record its part.

    Raises
    ------
    ObjectDoesNotExist
        When the session has no such label.
    RuleBroken
        When what it was on is not implanted.
    """
    label = ScannedPart.objects.select_related("session").get(pk=key, session=session)
    if label.part not in _MEANT:
        raise RuleBroken(f"{label} cannot be added to the patient's record: only generators and leads can.")
    return label


def filled_from(scanned: ScannedPart) -> dict[str, str]:
    """Return what a scanned label says, for the form of a part."""
    kind, chamber = _MEANT[Part(scanned.part)]
    return {
        "kind": kind,
        "chamber": chamber,
        "udi": scanned.scanned_text,
        "serial_number": scanned.serial_number or "",
    }
