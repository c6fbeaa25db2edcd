"""Patients, as far as research and the lab need them, and what became of them."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from registry.api.fields import Reference
from registry.api.serializers import RECORD, ReadSerializer, WriteSerializer
from registry.api.views import RecordViewSet, WritableRecordViewSet
from registry.models import AdverseEvent, Assessment, Patient, User
from registry.services.patients import put_adverse_event, put_assessment

_STATE = (
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
)
_EVENT = ("patient", "kind", "occurred_on", "severity", "relation", "description")


class PatientSerializer(ReadSerializer):
    """A patient under a code. Identifiers never leave by the API."""

    class Meta:
        model = Patient
        fields = (*RECORD, "centre", "code", "sex", "aetiology", "died_on")


class AssessmentSerializer(ReadSerializer):
    """A dated clinical state; null is 'not measured'."""

    class Meta:
        model = Assessment
        fields = (*RECORD, *_STATE)


class AssessmentWriteSerializer(WriteSerializer):
    """A dated clinical state; leave out what was not measured."""

    patient = Reference(Patient, "centre")

    class Meta:
        model = Assessment
        fields = ("version", *_STATE)
        validators = ()


class AdverseEventSerializer(ReadSerializer):
    """Something that went wrong."""

    class Meta:
        model = AdverseEvent
        fields = (*RECORD, *_EVENT)


class AdverseEventWriteSerializer(WriteSerializer):
    """Something that went wrong."""

    patient = Reference(Patient, "centre")

    class Meta:
        model = AdverseEvent
        fields = ("version", *_EVENT)
        validators = ()


class PatientViewSet(RecordViewSet):
    """Patients by code; who they are is registered and seen on the pages only."""

    queryset = Patient.objects.all()
    serializer_class = PatientSerializer
    centre_path = "centre"


class AssessmentViewSet(WritableRecordViewSet):
    """Clinical states before the implant and at follow-up."""

    queryset = Assessment.objects.all()
    serializer_class = AssessmentSerializer
    write_serializer_class = AssessmentWriteSerializer
    centre_path = "patient__centre"
    filters = {"patient": "patient"}

    def write(self, *, by: User, key: UUID, version: int | None, values: dict[str, Any]) -> Assessment:
        """Write an assessment."""
        return put_assessment(by=by, key=key, version=version, **values)


class AdverseEventViewSet(WritableRecordViewSet):
    """Adverse events."""

    queryset = AdverseEvent.objects.all()
    serializer_class = AdverseEventSerializer
    write_serializer_class = AdverseEventWriteSerializer
    centre_path = "patient__centre"
    filters = {"patient": "patient"}

    def write(self, *, by: User, key: UUID, version: int | None, values: dict[str, Any]) -> AdverseEvent:
        """Write an adverse event."""
        return put_adverse_event(by=by, key=key, version=version, **values)
