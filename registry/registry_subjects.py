"""The registry's own records, with the ranges outside of which a value is looked at twice."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.urls import reverse

from registry.clinical import quantities
from registry.clinical.quantities import Quantity
from registry.forms.assessments import AssessmentForm
from registry.forms.checks import DeviceCheckForm
from registry.forms.devices import DeviceForm
from registry.forms.patients import DeathForm, PatientForm
from registry.forms.records import AdverseEventForm, ConsentForm
from registry.models import AdverseEvent, Assessment, Consent, Device, DeviceCheck, Patient
from registry.subjects import Subject, register


def _usual(quantities: Iterable[Quantity]) -> dict[str, tuple[float, float]]:
    """Return the usual ranges that the forms ask about too; those that nothing possible lies outside of are no help."""
    return {one.field: one.usual for one in quantities if one.usual != one.hard}


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
        may_be_empty=frozenset({"died_on", "death_cause", "follow_up_ended_on", "follow_up_ended_because"}),
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
        usual=_usual(quantities.ASSESSMENT),
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
        may_be_empty=frozenset({"ended_on"}),
    )
)
register(
    Subject(
        "registry.consent",
        "Consent",
        Consent,
        "patient",
        _record("consents"),
        (ConsentForm,),
        may_be_empty=frozenset({"withdrawn_on"}),
    )
)
register(
    Subject(
        "registry.device",
        "Device or lead",
        Device,
        "patient",
        _record("devices"),
        (DeviceForm,),
        may_be_empty=frozenset({"chamber", "explanted_on", "explant_reason", "left_in_place"}),
    )
)
register(
    Subject(
        "registry.devicecheck",
        "Device check",
        DeviceCheck,
        "patient",
        _record("device-checks"),
        (DeviceCheckForm,),
        usual=_usual(quantities.CHECK),
    )
)
