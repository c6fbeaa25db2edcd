"""Breathing: its period from its own channel or from the pressures, and epochs cut to whole breaths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from .signals import FloatArray

SLOWEST_HZ, FASTEST_HZ = 0.1, 0.6
SERIES_HZ = 4.0
CLEAR_SHARE = 0.5


@dataclass(frozen=True)
class Breathing:
    """Period, s, and where it was seen (``respiration channel`` or ``pressure``)."""

    period_s: float
    source: str


def dominant_period_s(series: FloatArray, rate_hz: float) -> float | None:
    """Period of a clear rhythm between 0.1 and 0.6 Hz, or ``None``.

    Clear: the spectrum within ±0.05 Hz of its peak (and of twice the peak) holds at least half of the power
    between 0.08 and 0.8 Hz.
    """
    if series.size < 8 * rate_hz or not np.std(series) > 0:
        return None
    length = int(min(series.size, 60 * rate_hz))
    frequency, power = signal.welch(
        series, rate_hz, nperseg=length, nfft=max(4096, length), detrend="linear", window="hann"
    )
    wanted = (frequency >= SLOWEST_HZ) & (frequency <= FASTEST_HZ)
    peak = frequency[wanted][power[wanted].argmax()]
    band = (frequency >= 0.08) & (frequency <= 0.8)
    width = max(0.05, 2 * rate_hz / length)
    near = band & ((np.abs(frequency - peak) < width) | (np.abs(frequency - 2 * peak) < width))
    share = power[near].sum() / max(power[band].sum(), 1e-300)
    return float(1 / peak) if share >= CLEAR_SHARE else None


def _reduced(x: FloatArray, sample_rate_hz: float) -> FloatArray:
    step = max(int(sample_rate_hz / SERIES_HZ), 1)
    usable = x.size - x.size % step
    return np.asarray(x[:usable].reshape(-1, step).mean(axis=1))


def from_channel(respiration: FloatArray, sample_rate_hz: float) -> Breathing | None:
    """Breathing from its own channel."""
    filled = np.where(np.isfinite(respiration), respiration, np.nanmean(respiration))
    step = max(int(sample_rate_hz / SERIES_HZ), 1)
    period = dominant_period_s(_reduced(filled, sample_rate_hz), sample_rate_hz / step)
    return Breathing(period, "respiration channel") if period else None


def from_beats(time_s: FloatArray, value: FloatArray, smallest_change: float) -> Breathing | None:
    """Breathing from the way a pressure swings from beat to beat, if it swings by ``smallest_change`` at least."""
    good = np.isfinite(value)
    if good.sum() < 8:
        return None
    time_s, value = time_s[good], ndimage.median_filter(value[good], 3)
    grid = np.arange(time_s[0], time_s[-1], 1 / SERIES_HZ)
    series = np.interp(grid, time_s, value)
    if np.percentile(series, 90) - np.percentile(series, 10) < smallest_change:
        return None
    period = dominant_period_s(series, SERIES_HZ)
    return Breathing(period, "pressure") if period else None


def whole_breaths(start_s: FloatArray, end_s: FloatArray, period_s: float, minimum: float) -> tuple[bool, FloatArray]:
    """Cut the end of an epoch so that a whole number of breaths is left.

    Parameters
    ----------
    start_s, end_s
        Of the used beats, in order.

    Returns
    -------
    long_enough, keep
        False when fewer than ``minimum`` breaths fit (then all are kept), and which beats to keep.
    """
    keep = np.ones(start_s.size, dtype=bool)
    if start_s.size == 0:
        return False, keep
    length = end_s[-1] - start_s[0]
    half_beat = 0.5 * float(np.median(end_s - start_s))
    breaths = np.floor((length + half_beat) / period_s)
    if breaths < minimum:
        return False, keep
    limit = start_s[0] + breaths * period_s
    return True, np.asarray(0.5 * (start_s + end_s) <= limit)
