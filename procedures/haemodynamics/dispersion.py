"""Mechanical dispersion: how far apart in time the segments follow the whole ventricle.

Twice the SD (n − 1) over segments of the lag, ms, at which a segment correlates best with the total over systole
(Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723; definition from memory).
"""

from __future__ import annotations

import numpy as np

from .segments import SegmentTraces
from .signals import FloatArray
from .windows import blocks, interpolate

LAG_POINTS = 48
LAG_STEP_S = 0.01
EQUAL_CORRELATION = 0.01
LAGS_S = np.arange(-15, 16) * LAG_STEP_S


def lag_correlation(traces: SegmentTraces, start: FloatArray, stop: FloatArray) -> FloatArray:
    """Correlation of V_i(t + lag) with V(t), t in systole, shape (k, beats, lags), for lags of ±150 ms.

    ``start`` and ``stop``: dP/dtmax and dP/dtmin in samples of the reduced volumes, shape (beats,).
    """
    count, beats = traces.volume.shape[0], start.size
    total = traces.volume.sum(axis=0)
    result = np.empty((count, beats, LAGS_S.size))
    for part in blocks(beats, 128):
        first, last = start[part, None], stop[part, None]
        at = first + (last - first) * np.linspace(0, 1, LAG_POINTS)
        wanted = interpolate(total, at)
        wanted = wanted - wanted.mean(axis=1, keepdims=True)
        for i, lag in enumerate(LAGS_S):
            moved = interpolate(traces.volume, at + lag * traces.rate_hz)
            moved = moved - moved.mean(axis=2, keepdims=True)
            size = np.sqrt(np.einsum("kbt,kbt->kb", moved, moved) * np.einsum("bt,bt->b", wanted, wanted))
            result[:, part, i] = np.einsum("kbt,bt->kb", moved, wanted) / np.where(size > 0, size, np.inf)
    return result


def best_lag_ms(correlation: FloatArray) -> FloatArray:
    """Lag of the largest correlation, ms, shape (k, beats), refined by a parabola through the three best points.

    Of several peaks within 0.01 of the largest the one nearest to zero lag counts (project choice: a segment that
    moves both ways within systole correlates almost as well at a far lag, and noise would toss between the two).
    """
    largest = correlation.max(axis=2, keepdims=True)
    peak = np.zeros(correlation.shape, dtype=bool)
    middle = correlation[..., 1:-1]
    peak[..., 1:-1] = (middle >= correlation[..., :-2]) & (middle >= correlation[..., 2:])
    peak &= correlation >= largest - EQUAL_CORRELATION
    nearest = np.where(peak, np.abs(LAGS_S), np.inf).argmin(axis=2)
    best = np.where(peak.any(axis=2), nearest, correlation.argmax(axis=2))
    inner = np.clip(best, 1, LAGS_S.size - 2)
    y0, y1, y2 = (np.take_along_axis(correlation, (inner + step)[..., None], 2)[..., 0] for step in (-1, 0, 1))
    curve = y0 - 2 * y1 + y2
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where((curve < 0) & (best == inner), 0.5 * (y0 - y2) / curve, 0.0)
    return np.asarray(1000 * (LAGS_S[best] + np.clip(shift, -0.5, 0.5) * LAG_STEP_S))


def dispersion_ms(lags_ms: FloatArray) -> FloatArray:
    """Twice the sample SD (n − 1) over segments of the lags, shape (k, beats) -> (beats,), ms."""
    return np.asarray(2 * np.std(lags_ms, axis=0, ddof=1))
