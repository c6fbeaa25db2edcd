"""Pressure-volume analysis: signals to beats, beats to metrics, epochs to statistics. NumPy and SciPy only."""

from .beat_metrics.dyssynchrony import SegmentMotion
from .contractility.load_reduction_run import LoadReductionRun, load_reduction_run
from .epochs.average_loop import loops
from .results import Analysis, BeatTable, EpochSummary, MetricSummary, QualityNote
from .settings import Settings
from .signals import EpochWindow, PressureVolumeSignals, SignalSource
from .whole_recording.steps import ALGORITHM_VERSION, analyse, analyse_segments

__all__ = [
    "ALGORITHM_VERSION",
    "Analysis",
    "BeatTable",
    "EpochSummary",
    "EpochWindow",
    "LoadReductionRun",
    "MetricSummary",
    "PressureVolumeSignals",
    "QualityNote",
    "SegmentMotion",
    "Settings",
    "SignalSource",
    "analyse",
    "analyse_segments",
    "load_reduction_run",
    "loops",
]
