"""Mechanical dispersion: how far apart in time the segments follow the whole ventricle.

Twice the SD (n − 1) over segments of the lag, ms, at which a segment correlates best with the total over systole
(Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723; definition from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..conditioning.segments import SegmentTraces
from ..signals import FloatArray
from ..windows import IntArray, _blocks, _interpolate

LAG_STEP_S = 0.01
GRID_S = 0.005
FARTHEST = 15
LONGEST_SYSTOLE_S = 0.7
EQUAL_CORRELATION = 0.01
LAGS_S = np.arange(-FARTHEST, FARTHEST + 1) * LAG_STEP_S


def _lag_correlation(traces: SegmentTraces, start: FloatArray, stop: FloatArray) -> FloatArray:
    """Correlation of V_i(t + lag) with V(t), t in systole, shape (k, beats, lags), for lags of ±150 ms.

    ``start`` and ``stop``: dP/dtmax and dP/dtmin in samples of the reduced volumes, shape (beats,). Every lag reads
    the same grid of 5 ms, so the volumes are interpolated once for all of them.
    """
    count, beats = traces.volume.shape[0], start.size
    result = np.zeros((count, beats, LAGS_S.size))
    step, stride = GRID_S * traces.rate_hz, round(LAG_STEP_S / GRID_S)
    reach = FARTHEST * stride
    points = np.clip(np.round((stop - start) / step).astype(np.int64), 2, round(LONGEST_SYSTOLE_S / GRID_S))
    for block in _blocks(beats, 64):
        longest = int(points[block].max())
        grid = np.arange(-reach, longest + reach)
        rows = _interpolate(traces.volume, start[block, None] + step * grid)
        wanted = rows[..., reach : reach + longest].sum(axis=0)
        inside = (np.arange(longest) < points[block, None]).astype(float)
        size = points[block].astype(float)
        wanted -= (np.einsum("bt,bt->b", wanted, inside) / size)[:, None]
        wanted *= inside
        power = np.einsum("bt,bt->b", wanted, wanted)
        rows -= rows.mean(axis=2, keepdims=True)  # keeps the sums of squares below exact enough
        moved = sliding_window_view(rows, longest, axis=2)[:, :, ::stride]
        # the mean of the moved window drops out of its product with what has a mean of zero
        shared = np.einsum("kblt,bt->kbl", moved, wanted)
        sums = _running_sums(rows, points[block], stride)
        spread = _running_sums(rows**2, points[block], stride) - sums**2 / size[None, :, None]
        norm = np.sqrt(np.maximum(spread, 0.0) * power[None, :, None])
        np.divide(shared, norm, out=result[:, block], where=norm > 1e-12 * np.maximum(power.max(), 1e-300))
    return result


def _running_sums(rows: FloatArray, points: IntArray, stride: int) -> FloatArray:
    """Sum of ``points`` neighbouring samples of each beat from every ``stride``-th on, shape (k, beats, lags)."""
    total = np.zeros((*rows.shape[:2], rows.shape[2] + 1))
    np.cumsum(rows, axis=2, out=total[:, :, 1:])
    first = np.broadcast_to(np.arange(LAGS_S.size) * stride, (rows.shape[1], LAGS_S.size))
    last = first + points[:, None]
    beat = np.arange(rows.shape[1])[:, None]
    return np.asarray(total[:, beat, last] - total[:, beat, first])


def _best_lag_ms(correlation: FloatArray) -> FloatArray:
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
    """Mechanical dispersion: twice the sample SD (n − 1) over segments of their lags.

    Parameters
    ----------
    lags_ms
        Lag of each segment behind the total, ms, shape (k, beats).

    Returns
    -------
    ndarray
        Dispersion in ms, shape (beats,); NaN for a beat with a lag that is NaN, or with one segment only.

    References
    ----------
    Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (definition from memory).
    """
    return np.asarray(2 * np.std(lags_ms, axis=0, ddof=1))
