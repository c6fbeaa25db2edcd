"""Reading who looked at identifiers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet

from registry.access import Right, centres_for
from registry.models import Look, Patient, User
from registry.selectors.patients import meant_by

# Codes named in a row; a list of fifty says how many more.
NAMED = 6
PAGES = {
    "registry:patients": "List of patients",
    "registry:patient": "Page of the patient",
    "registry:new_patient": "Registering a patient",
    "registry:follow_up": "List of follow-ups",
    "registry:duplicates": "Possible duplicates",
    "person_copy": "Making the patient's copy of the data",
    "registry:merge": "Merging two codes",
    "procedures:session": "Page of a session",
    "procedures:report": "Report of a session",
    "procedures:patient_meant": "Opening a session",
    "procedures:new_session": "Opening a session",
}


@dataclass(frozen=True)
class LookRow:
    """A look as it is shown."""

    look: Look
    page: str
    named: list[Patient]
    more: int


def looks_for(user: User, patient: Patient | None = None) -> QuerySet[Look]:
    """Return the looks in the centres that the user oversees, latest first; with a patient, those at that one."""
    looks = Look.objects.filter(centre_id__in=centres_for(user, Right.OVERSEE_IDENTITY).values("pk"))
    if patient is not None:
        looks = looks.filter(centre_id=patient.centre_id, patients__contains=str(patient.pk))
    return looks.order_by("-at", "-id")


def overseen_patient(user: User, sought: str) -> Patient | None:
    """Return the patient meant by a code or hospital number in the user's overseen centres, if it is one."""
    patients = Patient.objects.filter(centre__in=centres_for(user, Right.OVERSEE_IDENTITY))
    found = list(meant_by(patients, sought)[:2]) or list(patients.filter(code__iexact=sought.strip())[:2])
    return found[0] if len(found) == 1 else None


def rows(looks: Iterable[Look], only: Patient | None = None) -> list[LookRow]:
    """Return looks with the codes of their patients, in one query."""
    looks = list(looks)
    keys = {look.pk: [UUID(text) for text in look.patients.split()] for look in looks}
    wanted = {key for many in keys.values() for key in many[:NAMED]} | ({only.pk} if only else set())
    patients = Patient.objects.in_bulk(wanted)
    shown = []
    for look in looks:
        first = [only] if only else [patients[key] for key in keys[look.pk][:NAMED] if key in patients]
        shown.append(LookRow(look, PAGES.get(look.page, look.page), first, look.patient_count - len(first)))
    return shown
