"""Pressure-volume analysis: signals to beats, beats to metrics, epochs to statistics. NumPy and SciPy only."""

from .analysis import ALGORITHM_VERSION, analyse, analyse_segments
from .average_loop import loops
from .dyssynchrony import SegmentMotion
from .occlusion import LoadReductionRun, load_reduction_run
from .results import Analysis, BeatTable, EpochSummary, MetricSummary, QualityNote
from .settings import Settings
from .signals import EpochWindow, PressureVolumeSignals, SignalSource

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
