"""Notching and slurring in the middle of the QRS."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy import signal

from .ecg import FloatArray

# The middle: from 40 ms after the onset to two thirds of the QRS (Strauss 2011 and the automatic readings of it,
# from memory; the paper's own words are "mid-QRS").
FROM_MS, TO_SHARE = 40.0, 2.0 / 3.0
LEAST_DIP_MV = 0.025
NOISE_RATIO = 4.0
# A slur: the slope falls to this share of what it is on both sides, or stays that small around a peak for this share
# of the QRS (a raised cosine as long as the QRS does so for 0.08 of it). Own choice, no source.
SLUR_SHARE = 0.4
PLATEAU_SLOPE, PLATEAU_SHARE = 0.25, 0.2
_SMOOTH_MS = 11.0


@dataclass(frozen=True)
class Notch:
    """What was found, and where from the QRS onset, ms."""

    notched: bool = False
    slurred: bool = False
    at_ms: float | None = None


def _find_notch(qrs_mv: FloatArray, noise_mv: float, sample_rate_hz: float) -> Notch:
    """Look for a notch (the wave turns back and resumes) or a slur (it only slows down) in the middle of the QRS.

    Parameters
    ----------
    qrs_mv : (n,) float64
        One lead from QRS onset to offset, against the level at the onset, mV.
    noise_mv
        Standard error of a sample, mV.
    sample_rate_hz
        Samples per second.
    """
    per_ms = sample_rate_hz / 1000.0
    window = max(2 * round(_SMOOTH_MS * per_ms / 2) + 1, 5)
    start, stop = FROM_MS * per_ms, TO_SHARE * qrs_mv.size
    if qrs_mv.size < 2 * window or stop <= start:
        return Notch()
    padded = np.pad(qrs_mv, window // 2, mode="edge")
    smooth = np.convolve(padded, _kernel(window, 0), "valid")
    slope = np.convolve(padded, _kernel(window, 1), "valid") * per_ms  # mV/ms
    slope_noise = float(np.sqrt(np.sum(_kernel(window, 1) ** 2))) * per_ms * noise_mv
    size = np.abs(smooth)
    # a dip to zero is the border between two waves, not a notch in one
    dips, _ = signal.find_peaks(-size, prominence=max(LEAST_DIP_MV, NOISE_RATIO * noise_mv))
    dips = dips[(size[dips] > LEAST_DIP_MV) & (dips >= start) & (dips <= stop)]
    if dips.size:
        return Notch(notched=True, at_ms=float(dips[0] / per_ms))
    slur = _slur(slope, slope_noise, start, stop)
    if slur is None:
        slur = _plateau(smooth, slope, start, stop)
    return Notch() if slur is None else Notch(slurred=True, at_ms=slur / per_ms)


@lru_cache(maxsize=16)
def _kernel(window: int, derivative: int) -> FloatArray:
    """Quadratic fit over a window: its value or its slope."""
    return np.asarray(signal.savgol_coeffs(window, 2, deriv=derivative), dtype=np.float64)


def _slur(slope: FloatArray, noise: float, start: float, stop: float) -> float | None:
    """A slow stretch between two faster ones of the same direction."""
    speed = np.abs(slope)
    # a QRS that starts at full speed has its first peak at its edge
    edged = np.concatenate(([0.0], speed, [0.0]))
    fast = signal.find_peaks(edged, height=NOISE_RATIO * noise + 0.05 * float(speed.max()))[0] - 1
    for left, right in pairwise(fast):
        at = left + int(np.argmin(speed[left:right]))
        lower = min(speed[left], speed[right])
        same = slope[left] * slope[right] > 0
        clear = lower - speed[at] > NOISE_RATIO * noise and speed[at] < SLUR_SHARE * lower
        if same and clear and start <= at <= stop:
            return float(at)
    return None


def _plateau(smooth: FloatArray, slope: FloatArray, start: float, stop: float) -> float | None:
    """A flat top, long against the QRS."""
    speed = np.abs(slope)
    slow = (speed < PLATEAU_SLOPE * speed.max()) & (np.abs(smooth) > 0.5 * np.abs(smooth).max())
    edges = np.flatnonzero(np.diff(np.concatenate(([0], slow.view(np.int8), [0])))).reshape(-1, 2)
    for first, last in edges:
        middle = (first + last) / 2
        if last - first >= PLATEAU_SHARE * slope.size and start <= middle <= stop:
            return float(middle)
    return None
