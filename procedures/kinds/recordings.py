"""Recordings, electrocardiograms and intervals, described. They are uploaded, measured and typed on the pages."""

from __future__ import annotations

from typing import Any

from django.db.models.functions import Coalesce

from procedures.described import SessionKind
from procedures.kinds.serializers import FileReadingSerializer
from procedures.kinds.sessions import BY_SESSION, OF_SESSION
from procedures.models import BeatOverride, Calibration, EcgMeasurement, IntervalReading, Recording
from registry.described.kind import Api

_OF_RECORDING: dict[str, Any] = {
    "centre": "recording__session__centre",
    "patient": "recording__session__patient",
    "amends": True,
}

RECORDING = SessionKind(
    Recording,
    "Recording",
    **OF_SESSION,
    joined=("signals",),
    api=Api(
        "recordings",
        words="Files of signals.",
        reads=(
            "A file of signals, known by its content. The file itself is uploaded and seen on the pages.\n\n"
            "It is read after it has arrived; ``reading`` says how far that is. Until then ``duration_s`` is null and "
            "``channels`` is empty where the head of the file does not tell them, and the rates of a CSV file are "
            "those of its first rows."
        ),
        answered=(
            "session",
            "sha256",
            "original_name",
            "format",
            "size_bytes",
            "duration_s",
            "started_at",
            "channels",
            "mapping",
            "reading",
        ),
        answered_as={"reading": FileReadingSerializer(source="*")},
        filters=BY_SESSION,
    ),
    signed_as="recordings",
)

CALIBRATION = SessionKind(Calibration, "Calibration", **_OF_RECORDING, signed_as="calibrations")

BEAT_OVERRIDE = SessionKind(BeatOverride, "Judgement of a beat", **_OF_RECORDING, signed_as="beat_overrides")

ECG = SessionKind(
    EcgMeasurement,
    "Electrocardiogram",
    **_OF_RECORDING,
    joined=("recording", "epoch"),
    annotated={"paced_site": Coalesce("epoch__site", "site")},
    api=Api(
        "ecgs",
        words="Measured 12-lead electrocardiograms; the list leaves out ``result``.",
        reads="A 12-lead electrocardiogram, measured on the average beat of a stretch; ``site`` null is a baseline.",
        filters={"session": "recording__session", "recording": "recording", "site": "paced_site"},
    ),
    signed_as="ecgs",
)

INTERVAL_READING = SessionKind(
    IntervalReading,
    "Interval",
    **OF_SESSION,
    api=Api(
        "interval-readings",
        words="Intervals that people read, withdrawn ones included.",
        reads=(
            "An interval that somebody typed or read with calipers; ``site`` null is a baseline.\n\n"
            "With an ``excluded_reason`` it was withdrawn and does not count."
        ),
        answered=(
            "session",
            "site",
            "kind",
            "origin",
            "duration_ms",
            "read_at",
            "recording",
            "from_lead",
            "to_lead",
            "from_s",
            "to_s",
            "notes",
            "excluded_reason",
        ),
        filters=BY_SESSION | {"site": "site"},
    ),
    signed_as="interval_readings",
)

KINDS = (RECORDING, CALIBRATION, BEAT_OVERRIDE, ECG, INTERVAL_READING)
