"""Beats seen in the pressure: the upstroke of each contraction."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, signal

from ..conditioning.filters import _differentiator
from ..signals import FloatArray
from ..windows import IntArray, _block_means, _gather

SHORTEST_CYCLE_S = 0.24
REDUCED_HZ = 200.0
DETECTION_MS = 71.0
KNOCK_S = 0.045
MINIMUM_RISE = 0.3
MINIMUM_SLOPE = 0.3


def _local_peak_height(x: FloatArray, sample_rate_hz: float, block_s: float = 2.0) -> FloatArray:
    """Typical peak of ``x`` about each sample: median over seven blocks of the largest value in each block."""
    size = max(int(block_s * sample_rate_hz), 1)
    count = max(x.size // size, 1)
    peaks = np.maximum.reduceat(x, np.arange(count) * size)
    typical = ndimage.median_filter(peaks, size=min(7, count | 1), mode="reflect")
    return np.interp(np.arange(x.size), (np.arange(count) + 0.5) * size, typical)


def _find_upstrokes(pressure: FloatArray, sample_rate_hz: float) -> IntArray:
    """Samples of steepest rise, one for each contraction.

    At about 200 Hz and under a running median of 45 ms, which takes out knocks on the catheter, a peak of the
    smoothed derivative counts when it reaches 0.3 of the typical peak about it, is the largest within 0.24 s, and
    pressure then rises by 0.3 of the typical pulse within a quarter of a second: an atrial wave or ringing does not.
    """
    if pressure.size < sample_rate_hz:
        return np.empty(0, dtype=np.int64)
    factor = max(int(sample_rate_hz // REDUCED_HZ), 1)
    rate = sample_rate_hz / factor
    reduced = _block_means(pressure, factor)
    calm = ndimage.median_filter(reduced, size=max(round(KNOCK_S * rate), 1) | 1, mode="nearest")
    slope = _differentiator(DETECTION_MS, rate)(calm)
    typical = _local_peak_height(slope, rate)
    spread = max(float(np.std(slope)), 1e-12)
    height = np.maximum(MINIMUM_SLOPE * typical, 0.5 * spread)
    peaks, _ = signal.find_peaks(slope, height=height, distance=max(int(SHORTEST_CYCLE_S * rate), 1))
    if peaks.size == 0:
        return peaks.astype(np.int64)
    before, _ = _gather(calm, peaks - int(0.08 * rate), peaks)
    after, _ = _gather(calm, peaks, peaks + int(0.25 * rate))
    rise = after.max(axis=1) - before.min(axis=1)
    wanted = MINIMUM_RISE * ndimage.median_filter(rise, size=min(15, peaks.size | 1), mode="reflect")
    return np.asarray(peaks[rise >= wanted] * factor + factor // 2, dtype=np.int64)
