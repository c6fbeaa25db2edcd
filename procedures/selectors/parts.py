"""Reading which parts a session implanted or took out, and which it could."""

from __future__ import annotations

from dataclasses import dataclass

from procedures.models import Part, PartAct, ScannedPart, Session, SessionPart
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
    known = {one.udi for one in owned if one.udi}
    scanned = ScannedPart.objects.filter(session=session, part__in=_MEANT)
    return Parts(
        implanted=[one.device for one in acts if one.act == PartAct.IMPLANTED],
        taken_out=[one.device for one in acts if one.act == PartAct.EXPLANTED],
        in_service=[one for one in owned if one.explanted_on is None],
        scanned=[one for one in scanned if one.scanned_text not in known],
    )


def filled_from(scanned: ScannedPart) -> dict[str, str]:
    """Return what a scanned label says, for the form of a part."""
    kind, chamber = _MEANT[Part(scanned.part)]
    return {
        "kind": kind,
        "chamber": chamber,
        "udi": scanned.scanned_text,
        "serial_number": scanned.serial_number or "",
    }
