"""Who is in a cohort: the patients whose research consent stands, and their sessions."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from uuid import UUID

from django.utils import timezone

from analytics.cohort.deidentify import Deidentifier
from procedures.models import Session
from registry.models import Centre, ConsentScope, Patient
from registry.selectors.patients import with_consent, without_withdrawal

# Patients a query fetches at once: bounds the memory of an export of any size.
CHUNK = 500


@dataclass(frozen=True)
class SessionStart:
    """What other rows need of a session."""

    patient_id: UUID
    started_at: dt.datetime


@dataclass
class Cohort:
    """The patients, in the order of their pseudonyms so that the order tells nothing, and their sessions."""

    deidentifier: Deidentifier
    patients: list[UUID]
    sessions: dict[UUID, SessionStart]
    order: dict[UUID, int] = field(init=False)

    def __post_init__(self) -> None:
        """Number the patients."""
        self.order = {key: number for number, key in enumerate(self.patients)}

    def chunks(self) -> Iterator[list[UUID]]:
        """Yield the patients some hundred at a time."""
        for begin in range(0, len(self.patients), CHUNK):
            yield self.patients[begin : begin + CHUNK]


def select_cohort(centre: Centre, year: int | None, deidentifier: Deidentifier, *, today: dt.date) -> Cohort:
    """Return the centre's cohort as its consents stand today; with a year, the patients treated in it.

    Research needs its own consent. Who took back the consent to the registry itself is left out too.
    """
    kept = without_withdrawal(Patient.objects.filter(centre=centre), ConsentScope.REGISTRY, today)
    consented = with_consent(kept, ConsentScope.RESEARCH, today)
    sessions = {
        key: SessionStart(patient, started_at)
        for key, patient, started_at in Session.objects.filter(patient__in=consented).values_list(
            "id", "patient_id", "started_at"
        )
        if year is None or timezone.localdate(started_at).year == year
    }
    patients = set(consented.values_list("id", flat=True))
    if year is not None:
        patients &= {session.patient_id for session in sessions.values()}
    ordered = sorted(patients, key=lambda key: deidentifier.pseudonym("patient", key))
    return Cohort(deidentifier, ordered, sessions)
