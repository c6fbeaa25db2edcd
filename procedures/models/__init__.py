"""The records of a session, one subject a module."""

from procedures.models.bedside import BedsideEntry
from procedures.models.calibration import AlphaOrigin, Calibration, ParallelOrigin
from procedures.models.difficulty import Difficulty
from procedures.models.electrocardiogram import (
    INTERVAL_LIMITS_MS,
    EcgBeat,
    EcgMeasurement,
    IntervalKind,
    IntervalOrigin,
    IntervalReading,
)
from procedures.models.epoch import Chambers, Epoch, EpochBeats, EpochMetric, Origin, PacingConfiguration
from procedures.models.part import PartAct, SessionPart
from procedures.models.recording import AnalysisRun, BeatOverride, Recording
from procedures.models.response import AcuteResponse, ComparisonRun, Decision, ResponseSummary
from procedures.models.scanned import Part, ScannedPart
from procedures.models.session import (
    Amendment,
    BaselinePacing,
    EntryKind,
    LogEntry,
    Outcome,
    ProcedureKind,
    Session,
    Status,
)
from procedures.models.site import LeadMeasurement, LongAxis, Obstacle, Site, Stability, Tributary, Vein
from procedures.models.stored_signals import StoredSignals
from procedures.models.threshold import ThresholdTest
from procedures.models.upload import Upload
from registry.models import RunState

__all__ = [
    "INTERVAL_LIMITS_MS",
    "AcuteResponse",
    "AlphaOrigin",
    "Amendment",
    "AnalysisRun",
    "BaselinePacing",
    "BeatOverride",
    "BedsideEntry",
    "Calibration",
    "Chambers",
    "ComparisonRun",
    "Decision",
    "Difficulty",
    "EcgBeat",
    "EcgMeasurement",
    "EntryKind",
    "Epoch",
    "EpochBeats",
    "EpochMetric",
    "IntervalKind",
    "IntervalOrigin",
    "IntervalReading",
    "LeadMeasurement",
    "LogEntry",
    "LongAxis",
    "Obstacle",
    "Origin",
    "Outcome",
    "PacingConfiguration",
    "ParallelOrigin",
    "Part",
    "PartAct",
    "ProcedureKind",
    "Recording",
    "ResponseSummary",
    "RunState",
    "ScannedPart",
    "Session",
    "SessionPart",
    "Site",
    "Stability",
    "Status",
    "StoredSignals",
    "ThresholdTest",
    "Tributary",
    "Upload",
    "Vein",
]
