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
    """
    beats, rate = analysis.beats, signals.sample_rate_hz
    used = beats.used(epoch_index)
    start = (beats.time_s[used] - signals.start_s) * rate
    stop = (beats.end_s[used] - signals.start_s) * rate
    if start.size == 0:
        return np.empty(0), np.empty(0), None
    at = start[:, None] + (stop - start)[:, None] * np.linspace(0, 1, points)
    pressure = interpolate(quality.bridge(signals.pressure_mmhg), at).mean(axis=0)
    segments = None
    if signals.segments_ml is not None:
        segments = np.stack([interpolate(quality.bridge(row), at).mean(axis=0) for row in signals.segments_ml])
    total = segments.sum(axis=0) if segments is not None else None
    if total is None and signals.volume_ml is not None:
        total = interpolate(quality.bridge(signals.volume_ml), at).mean(axis=0)
    return (np.empty(0) if total is None else total), pressure, segments
