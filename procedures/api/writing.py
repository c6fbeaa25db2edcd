"""What the API takes beside records: a signature, and metrics typed for an epoch."""

from __future__ import annotations

from rest_framework import serializers

from registry.api.fields import AmendmentReason, Confirmed, FiniteFloatField
from registry.api.serializers import KnownFieldsOnly


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
    amendment_reason = AmendmentReason()
