"""Measured electrocardiograms as the API answers them: a list without, and one with everything measured."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from procedures.kinds.recordings import ECG
from procedures.models import EcgMeasurement
from registry.api.serializers import RECORD, ReadSerializer
from registry.api.views import RecordViewSet

_ECG = ("recording", "epoch", "start_s", "end_s", "measured_at", "algorithm_version", "qrs_duration_ms")
_ECG_MEASURED = ("qrs_duration_sd_ms", "rr_ms", "axis_degrees", "paced", "latency_ms", "beats", "excluded_reason")


class EcgSerializer(ReadSerializer):
    """A 12-lead electrocardiogram, measured on the average beat of a stretch; ``site`` null is a baseline."""

    session = serializers.PrimaryKeyRelatedField[Any](source="recording.session", read_only=True)
    site = serializers.UUIDField(source="paced_site", allow_null=True, help_text="Of an epoch: the site of the epoch.")
    counts = serializers.SerializerMethodField(help_text="False where it, or its epoch, was set aside.")

    class Meta:
        model = EcgMeasurement
        fields: tuple[str, ...] = (*RECORD, "session", "site", *_ECG, *_ECG_MEASURED, "counts")

    def get_counts(self, ecg: EcgMeasurement) -> bool:
        """Say whether it counts."""
        return not ecg.set_aside


class EcgDetailSerializer(EcgSerializer):
    """An electrocardiogram with everything measured: waves of each lead, and each definition clause by clause.

    Supports and does not replace the judgement of the licensed team.
    """

    result = serializers.DictField(help_text="Times in ms from the start of the average beat, heights in mV.")

    class Meta(EcgSerializer.Meta):
        fields = (*EcgSerializer.Meta.fields, "result")


class EcgViewSet(RecordViewSet):
    """Measured 12-lead electrocardiograms; the list leaves out ``result``."""

    kind = ECG

    def get_queryset(self) -> Any:
        """Leave the long part unread where it is not answered."""
        found = super().get_queryset()
        return found.defer("result") if self.action == "list" else found

    def get_serializer_class(self) -> type[EcgSerializer]:
        """Answer everything measured of one."""
        return EcgDetailSerializer if self.action == "retrieve" else EcgSerializer
