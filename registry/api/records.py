"""Patients, as far as research and the lab need them, and what became of them."""

from __future__ import annotations

from rest_framework import serializers

from registry.api.fields import Confirmed, Reference
from registry.api.serializers import RECORD, ReadSerializer, WriteSerializer
from registry.api.views import RecordViewSet, WritableRecordViewSet
from registry.clinical import quantities
from registry.models import MEDICINES, AdverseEvent, Assessment, Consent, Device, DeviceCheck, Patient
from registry.services.course import put_adverse_event, put_assessment, put_consent, put_device_check

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
)
_CHECK = (
    "patient",
    "checked_on",
    "pulse_width_ms",
    *(quantity.field for quantity in quantities.CHECK),
    "ventricular_episodes",
    "shocks",
    "changes",
)
_EVENT = ("patient", "kind", "occurred_on", "ended_on", "severity", "relation", "treatment", "description")

_CONSENT = ("patient", "scope", "given_on", "document_version", "withdrawn_on")


class PatientSerializer(ReadSerializer):
    """A patient under a code. Identifiers never leave by the API."""

    class Meta:
        model = Patient
        fields = (
            *RECORD,
            "centre",
            "code",
            "sex",
            "aetiology",
            "died_on",
            "death_cause",
            "follow_up_ended_on",
            "follow_up_ended_because",
        )


class AssessmentSerializer(ReadSerializer):
    """A dated clinical state; null is 'not measured'."""

    confirmed_unusual = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = Assessment
        fields = (*RECORD, *_STATE, "confirmed_unusual")


class AssessmentWriteSerializer(WriteSerializer):
    """A dated clinical state; leave out what was not measured. Unusual values are taken once ``confirmed``."""

    patient = Reference(Patient, "centre")
    confirmed = Confirmed()

    class Meta:
        model = Assessment
        fields = ("version", *_STATE, "confirmed")
        validators = ()


class DeviceCheckSerializer(ReadSerializer):
    """A check of the implanted system; null is 'not read'."""

    confirmed_unusual = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = DeviceCheck
        fields = (*RECORD, *_CHECK, "confirmed_unusual")


class DeviceCheckWriteSerializer(WriteSerializer):
    """A check of the implanted system; leave out what was not read. Unusual values are taken once ``confirmed``."""

    patient = Reference(Patient, "centre")
    confirmed = Confirmed()

    class Meta:
        model = DeviceCheck
        fields = ("version", *_CHECK, "confirmed")
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


class ConsentSerializer(ReadSerializer):
    """A consent to registry or research; ``withdrawn_on`` is null while it stands."""

    class Meta:
        model = Consent
        fields = (*RECORD, *_CONSENT)


class ConsentWriteSerializer(WriteSerializer):
    """A consent, or its withdrawal."""

    patient = Reference(Patient, "centre")

    class Meta:
        model = Consent
        fields = ("version", *_CONSENT)
        validators = ()


class DeviceSerializer(ReadSerializer):
    """A generator or a lead. Serial number and UDI name a person and never leave by the API."""

    class Meta:
        model = Device
        fields = (
            *RECORD,
            "patient",
            "kind",
            "chamber",
            "manufacturer",
            "model_name",
            "implanted_on",
            "explanted_on",
            "explant_reason",
            "left_in_place",
        )


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
    service = staticmethod(put_assessment)


class DeviceCheckViewSet(WritableRecordViewSet):
    """Checks of the implanted system."""

    queryset = DeviceCheck.objects.all()
    serializer_class = DeviceCheckSerializer
    write_serializer_class = DeviceCheckWriteSerializer
    centre_path = "patient__centre"
    filters = {"patient": "patient"}
    service = staticmethod(put_device_check)


class AdverseEventViewSet(WritableRecordViewSet):
    """Adverse events."""

    queryset = AdverseEvent.objects.all()
    serializer_class = AdverseEventSerializer
    write_serializer_class = AdverseEventWriteSerializer
    centre_path = "patient__centre"
    filters = {"patient": "patient"}
    service = staticmethod(put_adverse_event)


class ConsentViewSet(WritableRecordViewSet):
    """Consents and their withdrawals."""

    queryset = Consent.objects.all()
    serializer_class = ConsentSerializer
    write_serializer_class = ConsentWriteSerializer
    centre_path = "patient__centre"
    filters = {"patient": "patient"}
    service = staticmethod(put_consent)


class DeviceViewSet(RecordViewSet):
    """Implanted generators and leads; they are entered with their serial numbers on the pages or by import."""

    queryset = Device.objects.all()
    serializer_class = DeviceSerializer
    centre_path = "patient__centre"
    filters = {"patient": "patient"}
