"""Beats seen in the pressure: the upstroke of each contraction."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, signal

from .filters import differentiator
from .signals import FloatArray
from .windows import IntArray, gather

SHORTEST_CYCLE_S = 0.24
DETECTION_MS = 71.0
MINIMUM_RISE = 0.3
MINIMUM_SLOPE = 0.3


def local_peak_height(x: FloatArray, sample_rate_hz: float, block_s: float = 2.0) -> FloatArray:
    """Typical peak of ``x`` about each sample: median over seven blocks of the largest value in each block."""
    size = max(int(block_s * sample_rate_hz), 1)
    count = max(x.size // size, 1)
    peaks = np.maximum.reduceat(x, np.arange(count) * size)
    typical = ndimage.median_filter(peaks, size=min(7, count | 1), mode="reflect")
    return np.interp(np.arange(x.size), (np.arange(count) + 0.5) * size, typical)


def find_upstrokes(pressure: FloatArray, sample_rate_hz: float) -> IntArray:
    """Samples of steepest rise, one for each contraction.

    A peak of the heavily smoothed derivative counts when it reaches 0.3 of the typical peak about it, is the
    largest within 0.24 s, and pressure then rises by 0.3 of the typical pulse within a quarter of a second: an
    atrial wave, a knock on the catheter or ringing does not.
    """
    if pressure.size < sample_rate_hz:
        return np.empty(0, dtype=np.int64)
    slope = differentiator(DETECTION_MS, sample_rate_hz)(pressure)
    typical = local_peak_height(slope, sample_rate_hz)
    spread = max(float(np.std(slope)), 1e-12)
    height = np.maximum(MINIMUM_SLOPE * typical, 0.5 * spread)
    distance = max(int(SHORTEST_CYCLE_S * sample_rate_hz), 1)
    peaks, _ = signal.find_peaks(slope, height=height, distance=distance)
    if peaks.size == 0:
        return peaks.astype(np.int64)
    before, _ = gather(pressure, peaks - int(0.08 * sample_rate_hz), peaks)
    after, _ = gather(pressure, peaks, peaks + int(0.25 * sample_rate_hz))
    rise = after.max(axis=1) - before.min(axis=1)
    wanted = MINIMUM_RISE * ndimage.median_filter(rise, size=min(15, peaks.size | 1), mode="reflect")
    return np.asarray(peaks[rise >= wanted], dtype=np.int64)
