"""The average loop of an epoch, for drawing."""

from __future__ import annotations

import numpy as np

from . import quality
from .results import Analysis
from .signals import FloatArray, PressureVolumeSignals
from .windows import interpolate


def loops(
    signals: PressureVolumeSignals, analysis: Analysis, epoch_index: int, points: int = 101
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Average loop of the used beats of one epoch, on cycle phase, for drawing.

    Returns
    -------
    volume, pressure, segments
        Shapes (points,), (points,) and (k, points) or ``None``; phase 0 and 1 are the beat's start and the next
        one's. Empty arrays when the epoch has no used beat or the recording no volume (pressure is still given).
        Each trace ends where it began: what breathing leaves between the two ends is spread evenly over the cycle.
    """
    beats, rate = analysis.beats, signals.sample_rate_hz
    used = beats.used(epoch_index)
    start = (beats.time_s[used] - signals.start_s) * rate
    stop = (beats.end_s[used] - signals.start_s) * rate
    if start.size == 0:
        return np.empty(0), np.empty(0), None
    at = start[:, None] + (stop - start)[:, None] * np.linspace(0, 1, points)

    def average(trace: FloatArray) -> FloatArray:
        mean = interpolate(quality.bridge(trace), at).mean(axis=0)
        return np.asarray(mean + (mean[0] - mean[-1]) * np.linspace(-0.5, 0.5, points))

    pressure = average(signals.pressure_mmhg)
    segments = None
    if signals.segments_ml is not None:
        segments = np.stack([average(row) for row in signals.segments_ml])
    total = segments.sum(axis=0) if segments is not None else None
    if total is None and signals.volume_ml is not None:
        total = average(signals.volume_ml)
    return (np.empty(0) if total is None else total), pressure, segments
