"""The records of a session, one subject a module."""

from procedures.models.calibration import AlphaOrigin, Calibration, ParallelOrigin
from procedures.models.epoch import Chambers, Epoch, EpochBeats, EpochMetric, Origin, PacingConfiguration
from procedures.models.recording import AnalysisRun, BeatOverride, Recording, RunState
from procedures.models.response import AcuteResponse, Decision, ResponseSummary
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

__all__ = [
    "AcuteResponse",
    "AlphaOrigin",
    "Amendment",
    "AnalysisRun",
    "BaselinePacing",
    "BeatOverride",
    "Calibration",
    "Chambers",
    "Decision",
    "EntryKind",
    "Epoch",
    "EpochBeats",
    "EpochMetric",
    "LeadMeasurement",
    "LogEntry",
    "LongAxis",
    "Obstacle",
    "Origin",
    "Outcome",
    "PacingConfiguration",
    "ParallelOrigin",
    "ProcedureKind",
    "Recording",
    "ResponseSummary",
    "RunState",
    "Session",
    "Site",
    "Stability",
    "Status",
    "Tributary",
    "Vein",
]
