"""The average loop of an epoch, for drawing."""

from __future__ import annotations

import numpy as np

from ..channels.gaps import _bridge
from ..channels.stretches import STRETCH_S, _stretches
from ..results import Analysis
from ..signals import FloatArray, SignalSource
from ..windows import _interpolate


def loops(
    signals: SignalSource, analysis: Analysis, epoch_index: int, points: int = 101
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Average loop of the used beats of one epoch, on cycle phase, for drawing.

    Parameters
    ----------
    signals, analysis
        The recording and its analysis; NaN marks a missing sample, and gaps are bridged.
    epoch_index
        Index of the epoch.
    points
        Points of the loop.

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
    phase = np.linspace(0, 1, points)
    summed: FloatArray | float = 0.0
    for low, high in _stretches(signals.size, rate, STRETCH_S):
        block = (start >= low) & (start < high)
        if not block.any():
            continue
        first = max(int(start[block].min()) - 1, 0)
        stretch = signals.stretch(first, int(stop[block].max()) + 3)
        at = start[block, None] + (stop - start)[block, None] * phase - first
        rows = [stretch.pressure_mmhg]
        if stretch.segments_ml is not None:
            rows += list(stretch.segments_ml)
        elif stretch.volume_ml is not None:
            rows.append(stretch.volume_ml)
        summed = summed + np.stack([_interpolate(_bridge(row), at).sum(axis=0) for row in rows])
    mean = np.asarray(summed) / start.size
    mean = mean + (mean[:, :1] - mean[:, -1:]) * np.linspace(-0.5, 0.5, points)
    segments = mean[1:] if signals.segment_count else None
    return (mean[1:].sum(axis=0) if len(mean) > 1 else np.empty(0)), mean[0], segments
