"""What happens to a patient, described: assessments, device checks, devices, adverse events, consents."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.urls import reverse
from rest_framework import serializers

from registry.clinical import quantities
from registry.clinical.quantities import Quantity
from registry.described.kind import Api, Page, RecordKind
from registry.forms.assessments import AssessmentForm
from registry.forms.checks import DeviceCheckForm
from registry.forms.devices import DeviceForm
from registry.forms.records import AdverseEventForm, ConsentForm
from registry.kinds.tables import table_of
from registry.models import MEDICINES, AdverseEvent, Assessment, Consent, Device, DeviceCheck
from registry.selectors.devices import models_known
from registry.services.course import put_adverse_event, put_assessment, put_consent, put_device, put_device_check

_WHOSE: dict[str, Any] = {"centre": "patient__centre", "patient": "patient"}
_OF_PATIENT = {"patient": "patient"}


def _usual(quantities: Iterable[Quantity]) -> dict[str, tuple[float, float]]:
    """Return the usual ranges that the forms ask about too; those that nothing possible lies outside of are no help."""
    return {one.field: one.usual for one in quantities if one.usual != one.hard}


def _seen_at(kind: str) -> Any:
    return lambda one: reverse("registry:record", kwargs={"patient_key": one.patient_id, "kind": kind, "key": one.pk})


def _list_of_words() -> serializers.ListField:
    return serializers.ListField(child=serializers.CharField())


ASSESSMENT = RecordKind(
    Assessment,
    "Assessment",
    **_WHOSE,
    fields=(
        "patient",
        "kind",
        "assessed_on",
        "nyha_class",
        "rhythm",
        "qrs_duration_ms",
        "qrs_morphology",
        "lvef_percent",
        "lvedv_ml",
        "lvesv_ml",
        "nt_probnp_pg_per_ml",
        "creatinine_umol_per_l",
        "systolic_mmhg",
        "diastolic_mmhg",
        "six_minute_walk_m",
        "imaging_method",
        "bnp_pg_per_ml",
        "quality_of_life_instrument",
        "quality_of_life_score",
        "global_assessment",
        "height_cm",
        "weight_kg",
        "previous_device",
        "ventricular_pacing_percent",
        "av_block",
        "pacing_need",
        "capture_assured",
        "therapy_optimised",
        *MEDICINES,
        "scar_method",
        "scar_burden_percent",
        "posterolateral_scar",
    ),
    put=put_assessment,
    forms=(AssessmentForm,),
    confirms=True,
    api=Api(
        "assessments",
        words="Clinical states before the implant and at follow-up.",
        reads="A dated clinical state; null is 'not measured'.",
        takes=("A dated clinical state; leave out what was not measured. Unusual values are taken once ``confirmed``."),
        answered=("confirmed_unusual",),
        filters=_OF_PATIENT,
        answered_as={"confirmed_unusual": _list_of_words()},
    ),
    page=Page("assessments", "assessment"),
    table=table_of(
        "assessments",
        "Assessments and follow-ups",
        "One row for each visit, before or after the implant; the patients must already be registered.",
        Assessment,
        AssessmentForm,
        ("kind", "assessed_on"),
    ),
    address=_seen_at("assessments"),
    split="kind",
    usual=_usual(quantities.ASSESSMENT),
)

ADVERSE_EVENT = RecordKind(
    AdverseEvent,
    "Adverse event",
    **_WHOSE,
    fields=("patient", "kind", "occurred_on", "ended_on", "severity", "relation", "treatment", "description"),
    put=put_adverse_event,
    forms=(AdverseEventForm,),
    api=Api(
        "adverse-events",
        words="Adverse events.",
        reads="Something that went wrong.",
        takes="Something that went wrong.",
        filters=_OF_PATIENT,
    ),
    page=Page("adverse-events", "adverse event", notes="registry/event_definitions.html"),
    table=table_of(
        "adverse-events",
        "Adverse events",
        "One row for each event of a registered patient.",
        AdverseEvent,
        AdverseEventForm,
        ("kind", "occurred_on"),
    ),
    address=_seen_at("adverse-events"),
    may_be_empty=frozenset({"ended_on"}),
)

CONSENT = RecordKind(
    Consent,
    "Consent",
    **_WHOSE,
    fields=("patient", "scope", "given_on", "document_version", "withdrawn_on"),
    put=put_consent,
    forms=(ConsentForm,),
    api=Api(
        "consents",
        words="Consents and their withdrawals.",
        reads="A consent to registry or research; ``withdrawn_on`` is null while it stands.",
        takes="A consent, or its withdrawal.",
        filters=_OF_PATIENT,
    ),
    page=Page("consents", "consent"),
    table=table_of(
        "consents",
        "Consents",
        "One row for each consent of a registered patient.",
        Consent,
        ConsentForm,
        ("scope", "given_on"),
    ),
    address=_seen_at("consents"),
    may_be_empty=frozenset({"withdrawn_on"}),
)

DEVICE = RecordKind(
    Device,
    "Device or lead",
    **_WHOSE,
    put=put_device,
    forms=(DeviceForm,),
    api=Api(
        "devices",
        words="Implanted generators and leads; they are entered with their serial numbers on the pages or by import.",
        reads="A generator or a lead. Serial number and UDI name a person and never leave by the API.",
        answered=(
            "patient",
            "kind",
            "chamber",
            "manufacturer",
            "model_name",
            "implanted_on",
            "explanted_on",
            "explant_reason",
            "left_in_place",
        ),
        filters=_OF_PATIENT,
    ),
    page=Page("devices", "device or lead", options=lambda patient: {"models_known": models_known(patient)}),
    table=table_of(
        "devices",
        "Devices and leads",
        "One row for each generator or lead of a registered patient.",
        Device,
        DeviceForm,
        ("kind", "chamber", "model_name", "implanted_on"),
    ),
    address=_seen_at("devices"),
    may_be_empty=frozenset({"chamber", "explanted_on", "explant_reason", "left_in_place"}),
)

DEVICE_CHECK = RecordKind(
    DeviceCheck,
    "Device check",
    **_WHOSE,
    fields=(
        "patient",
        "checked_on",
        "pulse_width_ms",
        *(quantity.field for quantity in quantities.CHECK),
        "ventricular_episodes",
        "shocks",
        "changes",
    ),
    put=put_device_check,
    forms=(DeviceCheckForm,),
    confirms=True,
    api=Api(
        "device-checks",
        words="Checks of the implanted system.",
        reads="A check of the implanted system; null is 'not read'.",
        takes=(
            "A check of the implanted system; leave out what was not read. Unusual values are taken once ``confirmed``."
        ),
        answered=("confirmed_unusual",),
        filters=_OF_PATIENT,
        answered_as={"confirmed_unusual": _list_of_words()},
    ),
    page=Page("device-checks", "device check"),
    table=table_of(
        "device-checks",
        "Device checks",
        "One row for each device check of a registered patient.",
        DeviceCheck,
        DeviceCheckForm,
        ("checked_on",),
    ),
    address=_seen_at("device-checks"),
    usual=_usual(quantities.CHECK),
)
