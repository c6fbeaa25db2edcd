"""Records of a session as the API answers them."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from procedures.models import (
    AcuteResponse,
    Decision,
    Difficulty,
    Epoch,
    EpochMetric,
    LeadMeasurement,
    LogEntry,
    PacingConfiguration,
    Recording,
    ScannedPart,
    Session,
    Site,
    ThresholdTest,
    Tributary,
)
from registry.api.fields import FiniteFloatField
from registry.api.serializers import RECORD, ReadSerializer

SESSION = (
    "patient",
    "procedure",
    "baseline_pacing",
    "started_at",
    "ended_at",
    "operator",
    "outcome",
    "contrast_ml",
    "fluoroscopy_min",
    "dose_area_product_gy_cm2",
    "notes",
)
LOG_ENTRY = ("session", "kind", "occurred_at", "text")
TRIBUTARY = ("session", "vein", "ordinal", "notes")
SITE = (
    "session",
    "tributary",
    "label",
    "long_axis",
    "aha_segment",
    "cathode",
    "anode",
    "reached",
    "not_reached_reason",
    "stability",
    "notes",
)
MEASUREMENT = (
    "site",
    "measured_at",
    "cathode",
    "anode",
    "capture_threshold_v",
    "pulse_width_ms",
    "sensed_r_wave_mv",
    "impedance_ohm",
    "phrenic_threshold_v",
    "phrenic_none_up_to_v",
    "output_v",
    "output_width_ms",
    "qrs_duration_ms",
    "qrs_notes",
)
THRESHOLD_TEST = ("site", "tested_at", "pulse_width_ms", "steps")
DIFFICULTY = ("session", "tributary", "site", "reason", "text", "noted_at")
SCANNED_PART = ("session", "part", "scanned_at")
PACING = ("chambers", "rate_per_min", "av_delay_ms", "vv_delay_ms")
EPOCH = ("session", "site", "pacing", "started_at", "ended_at", "excluded_reason")
DECISION = ("session", "site", "decided_at", "reason", "metric")


class SessionSerializer(ReadSerializer):
    """One implant procedure."""

    class Meta:
        model = Session
        fields = (*RECORD, "centre", "code", *SESSION, "status", "signed_by", "signed_at")


class LogEntrySerializer(ReadSerializer):
    """A timed note: ``occurred_at`` is the writer's clock, ``created_at`` the server's.

    ``first_logged_at`` is the time it was logged with, once that has been corrected.
    """

    class Meta:
        model = LogEntry
        fields = (*RECORD, *LOG_ENTRY, "first_logged_at", "author")


class TributarySerializer(ReadSerializer):
    """A tributary of the coronary sinus that was looked at."""

    class Meta:
        model = Tributary
        fields = (*RECORD, *TRIBUTARY)


class SiteSerializer(ReadSerializer):
    """A lead position: tributary, segment, electrode configuration."""

    class Meta:
        model = Site
        fields = (*RECORD, *SITE)


class LeadMeasurementSerializer(ReadSerializer):
    """What was measured electrically at a site; null is 'not measured'."""

    class Meta:
        model = LeadMeasurement
        fields = (*RECORD, *MEASUREMENT, "confirmed_unusual")


class ThresholdStepSerializer(serializers.Serializer[Any]):
    """One amplitude of a step-down run, and whether it captured."""

    amplitude_v = FiniteFloatField()
    captured = serializers.BooleanField()


class ThresholdTestSerializer(ReadSerializer):
    """A step-down run; the threshold is the lowest amplitude that captured before the loss, null without one."""

    steps = ThresholdStepSerializer(many=True)

    class Meta:
        model = ThresholdTest
        fields = (*RECORD, *THRESHOLD_TEST, "capture_threshold_v", "lost_at_v")


class DifficultySerializer(ReadSerializer):
    """What stood in the way of reaching a vein or keeping a position."""

    class Meta:
        model = Difficulty
        fields = (*RECORD, *DIFFICULTY, "author")


class ScannedPartSerializer(ReadSerializer):
    """A part whose label was scanned. Its serial number leads to a person and is not answered."""

    class Meta:
        model = ScannedPart
        fields = (*RECORD, *SCANNED_PART, "device_identifier", "lot", "made_on", "expires_on")


class PacingSerializer(ReadSerializer):
    """Chambers and delays in force."""

    class Meta:
        model = PacingConfiguration
        fields = PACING


class EpochSerializer(ReadSerializer):
    """A steady stretch; ``site`` null is a baseline. The span in a recording is there when it was marked in one."""

    pacing = PacingSerializer(allow_null=True)

    class Meta:
        model = Epoch
        fields = (*RECORD, *EPOCH, "recording", "recording_start_s", "recording_end_s")


class EpochMetricSerializer(ReadSerializer):
    """One metric of one epoch, computed or entered; the unit is in the key."""

    class Meta:
        model = EpochMetric
        fields = (*RECORD, "epoch", "key", "origin", "mean", "sd", "beats", "standard_error", "unusual", "run")


class RecordingSerializer(ReadSerializer):
    """A file of signals, known by its content. The file itself is uploaded and seen on the pages."""

    class Meta:
        model = Recording
        fields = (
            *RECORD,
            "session",
            "sha256",
            "original_name",
            "format",
            "size_bytes",
            "duration_s",
            "started_at",
            "channels",
            "mapping",
        )


class AcuteResponseSerializer(ReadSerializer):
    """Change of one metric at one site against baseline, with a 95 % interval.

    Supports and does not replace the judgement of the licensed team.
    """

    class Meta:
        model = AcuteResponse
        fields = (
            *RECORD,
            "session",
            "site",
            "metric",
            "rank",
            "change_percent",
            "low_percent",
            "high_percent",
            "probability_best",
            "probability_better_than_baseline",
            "shrunken_change_percent",
            "shrunken_low_percent",
            "shrunken_high_percent",
            "paired_change_percent",
            "paired_low_percent",
            "paired_high_percent",
            "unpaired_change_percent",
            "unpaired_low_percent",
            "unpaired_high_percent",
            "epochs",
            "beats",
            "flags",
        )


class DecisionSerializer(ReadSerializer):
    """The site chosen, by whom and why; ``site`` null is 'none'."""

    class Meta:
        model = Decision
        fields = (*RECORD, *DECISION, "decided_by", "was_leading")
