"""Patients, described."""

from __future__ import annotations

from django.urls import reverse

from registry.access import Right
from registry.described.kind import Api, RecordKind
from registry.described.table import TableKind
from registry.forms.patients import DeathForm, PatientForm
from registry.kinds.tables import NewPatients, patient_targets
from registry.models import Patient

PATIENT = RecordKind(
    Patient,
    "Patient",
    centre="centre",
    forms=(PatientForm, DeathForm),
    api=Api(
        "patients",
        words="Patients by code; who they are is registered and seen on the pages only.",
        reads="A patient under a code. Identifiers never leave by the API.",
        answered=(
            "centre",
            "code",
            "sex",
            "aetiology",
            "died_on",
            "death_cause",
            "follow_up_ended_on",
            "follow_up_ended_because",
        ),
    ),
    table=TableKind(
        "patients",
        "Patients",
        "One row for each patient: hospital number, name, birth date.",
        (Right.WRITE_REGISTRY,),
        patient_targets,
        NewPatients,
    ),
    address=lambda one: reverse("registry:patient", args=[one.pk]),
    may_be_empty=frozenset({"died_on", "death_cause", "follow_up_ended_on", "follow_up_ended_because"}),
)
