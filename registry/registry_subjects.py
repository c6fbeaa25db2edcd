"""The registry's own records, with the ranges outside of which a value is looked at twice."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from registry.forms.patients import DeathForm, PatientForm
from registry.forms.records import AdverseEventForm, AssessmentForm, ConsentForm
from registry.models import AdverseEvent, Assessment, Consent, Device, Patient
from registry.subjects import Subject, register

# What a reader of a chart for this therapy would read twice; it refuses nothing. Project choice, no source.
USUAL_ASSESSMENT = {
    "qrs_duration_ms": (70.0, 230.0),
    "lvef_percent": (8.0, 70.0),
    "lvedv_ml": (60.0, 500.0),
    "lvesv_ml": (20.0, 420.0),
    "nt_probnp_pg_per_ml": (20.0, 35000.0),
    "creatinine_umol_per_l": (35.0, 600.0),
    "systolic_mmhg": (70.0, 220.0),
    "diastolic_mmhg": (35.0, 130.0),
    "six_minute_walk_m": (20.0, 800.0),
}


def _record(kind: str) -> Any:
    return lambda one: reverse("registry:record", kwargs={"patient_key": one.patient_id, "kind": kind, "key": one.pk})


register(
    Subject(
        "registry.patient",
        "Patient",
        Patient,
        "",
        lambda one: reverse("registry:patient", args=[one.pk]),
        (PatientForm, DeathForm),
    )
)
register(
    Subject(
        "registry.assessment",
        "Assessment",
        Assessment,
        "patient",
        _record("assessments"),
        (AssessmentForm,),
        split="kind",
        usual=USUAL_ASSESSMENT,
    )
)
register(
    Subject(
        "registry.adverseevent",
        "Adverse event",
        AdverseEvent,
        "patient",
        _record("adverse-events"),
        (AdverseEventForm,),
    )
)
register(Subject("registry.consent", "Consent", Consent, "patient", _record("consents"), (ConsentForm,)))
register(
    Subject(
        "registry.device",
        "Device or lead",
        Device,
        "patient",
        lambda one: reverse("registry:patient", args=[one.patient_id]),
        split="kind",
    )
)
