"""Records of a session as the API takes them."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet
from rest_framework import serializers

from procedures.api import reading
from procedures.models import (
    Decision,
    Difficulty,
    Epoch,
    LeadMeasurement,
    LogEntry,
    PacingConfiguration,
    ScannedPart,
    Session,
    Site,
    ThresholdTest,
    Tributary,
)
from procedures.selectors.sessions import sessions_for
from registry.api.fields import Colleague, Confirmed, FiniteFloatField, Reference
from registry.api.serializers import KnownFieldsOnly, WriteSerializer
from registry.models import Patient, User


class _AmendmentReason(serializers.CharField):
    def __init__(self, **options: Any) -> None:
        super().__init__(
            default="",
            allow_blank=True,
            help_text="Why a signed session is changed. Left out while it is open.",
            **options,
        )


class _Operator(Colleague):
    """The key of a colleague, or of somebody who has left since and is the operator of a session already."""

    def get_queryset(self) -> QuerySet[Any]:
        """Return them."""
        sessions = sessions_for(self.context["request"].user)
        named = sessions.filter(operator__isnull=False).order_by().values("operator")
        colleagues = super().get_queryset().values("pk")
        return User.objects.filter(Q(pk__in=colleagues) | Q(pk__in=named))


class SessionWriteSerializer(WriteSerializer):
    """One implant procedure. The server gives it its code; the patient stays."""

    patient = Reference(Patient, "centre")
    operator = _Operator(required=False, allow_null=True)
    amendment_reason = _AmendmentReason()

    class Meta:
        model = Session
        fields = ("version", *reading.SESSION, "amendment_reason")
        validators = ()


class SignatureSerializer(KnownFieldsOnly):
    """A signature: that the session was checked, and the password unless it was given just now."""

    checked = serializers.BooleanField()
    password = serializers.CharField(
        required=False, default="", allow_blank=True, trim_whitespace=False, max_length=4096, write_only=True
    )

    def validate_checked(self, value: bool) -> bool:
        """Refuse what nobody has checked."""
        if not value:
            raise serializers.ValidationError("Check the session before signing it.")
        return value


class _OfSession(WriteSerializer):
    session = Reference(Session, "centre")
    amendment_reason = _AmendmentReason()


class LogEntryWriteSerializer(_OfSession):
    """A timed note."""

    class Meta:
        model = LogEntry
        fields = ("version", *reading.LOG_ENTRY, "amendment_reason")
        validators = ()


class TributaryWriteSerializer(_OfSession):
    """A tributary; ``ordinal`` tells two of the same name apart."""

    class Meta:
        model = Tributary
        fields = ("version", *reading.TRIBUTARY, "amendment_reason")
        validators = ()


class SiteWriteSerializer(_OfSession):
    """A lead position. One that was not reached says why."""

    tributary = Reference(Tributary, "session__centre")

    class Meta:
        model = Site
        fields = ("version", *reading.SITE, "amendment_reason")
        validators = ()


class LeadMeasurementWriteSerializer(WriteSerializer):
    """What was measured at a site; leave out what was not. Unusual values are taken once ``confirmed``."""

    site = Reference(Site, "session__centre")
    confirmed = Confirmed()
    amendment_reason = _AmendmentReason()

    class Meta:
        model = LeadMeasurement
        fields = ("version", *reading.MEASUREMENT, "confirmed", "amendment_reason")
        validators = ()


class ThresholdStepWriteSerializer(KnownFieldsOnly):
    """One amplitude, and whether it captured."""

    amplitude_v = FiniteFloatField()
    captured = serializers.BooleanField()


class ThresholdTestWriteSerializer(WriteSerializer):
    """A step-down run: falling amplitudes, at most the last one without capture."""

    site = Reference(Site, "session__centre")
    steps = ThresholdStepWriteSerializer(many=True, allow_empty=False)
    amendment_reason = _AmendmentReason()

    class Meta:
        model = ThresholdTest
        fields = ("version", *reading.THRESHOLD_TEST, "amendment_reason")
        validators = ()


class DifficultyWriteSerializer(_OfSession):
    """A difficulty with a tributary, a site, or the session as a whole."""

    tributary = Reference(Tributary, "session__centre", required=False, allow_null=True)
    site = Reference(Site, "session__centre", required=False, allow_null=True)

    class Meta:
        model = Difficulty
        fields = ("version", *reading.DIFFICULTY, "amendment_reason")
        validators = ()


class ScannedPartWriteSerializer(_OfSession):
    """What a scanner typed, as it typed it; the server reads it."""

    scanned_text = serializers.CharField(max_length=200)

    class Meta:
        model = ScannedPart
        fields = ("version", *reading.SCANNED_PART, "scanned_text", "amendment_reason")
        validators = ()


class PacingWriteSerializer(WriteSerializer):
    """Chambers and delays in force; a positive VV delay is the left ventricle first."""

    class Meta:
        model = PacingConfiguration
        fields = reading.PACING


class EpochWriteSerializer(_OfSession):
    """A steady stretch; ``site`` left out or null is a baseline."""

    site = Reference(Site, "session__centre", required=False, allow_null=True)
    pacing = PacingWriteSerializer(required=False, allow_null=True)

    class Meta:
        model = Epoch
        fields = ("version", *reading.EPOCH, "amendment_reason")
        validators = ()


class DecisionWriteSerializer(_OfSession):
    """The site chosen and why; ``site`` left out or null is 'none'."""

    site = Reference(Site, "session__centre", required=False, allow_null=True)

    class Meta:
        model = Decision
        fields = ("version", *reading.DECISION, "amendment_reason")
        validators = ()


class TypedMetricSerializer(KnownFieldsOnly):
    """A metric as typed."""

    mean = FiniteFloatField()
    sd = FiniteFloatField(required=False, allow_null=True, min_value=0)
    beats = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=1_000_000)
    version = serializers.IntegerField(required=False, min_value=1, help_text="Of the entered metric being corrected.")


class EnteredMetricsSerializer(KnownFieldsOnly):
    """Metrics of an epoch by key, entered by hand beside any computed ones."""

    metrics = serializers.DictField(child=TypedMetricSerializer(), allow_empty=False)
    confirmed = Confirmed()
    amendment_reason = _AmendmentReason()
