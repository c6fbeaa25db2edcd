"""Bringing channels of other sampling rates to the clock of the pressure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def resample(samples: Floats, rate_hz: float, target_hz: float, size: int) -> Floats:
    """Values of a signal at the times of another clock that starts with it.

    Cubic spline between samples; what the new clock could not carry is filtered out first (zero phase), so
    that it does not come back as a slow wave.

    Parameters
    ----------
    samples : (n,) float64
        The signal at ``rate_hz``; NaN where it is missing.
    rate_hz, target_hz
        Sampling rates, Hz.
    size
        Number of samples wanted at ``target_hz``.

    Returns
    -------
    (size,) float64
        NaN where the signal is missing or has ended.
    """
    from scipy.interpolate import CubicSpline
    from scipy.signal import butter, sosfiltfilt

    at = np.arange(size) / target_hz * rate_hz
    known = np.isfinite(samples)
    if known.sum() < 4:
        return np.full(size, np.nan)
    places = np.arange(samples.size, dtype=np.float64)
    filled = samples if known.all() else np.interp(places, places[known], samples[known])
    if target_hz < rate_hz and samples.size > 30:
        # fourth order, run both ways: -6 dB at 0.4 of the new rate
        filled = sosfiltfilt(butter(4, 0.8 * target_hz / rate_hz, output="sos"), filled)
    resampled = np.asarray(CubicSpline(places, filled)(np.minimum(at, places[-1])), dtype=np.float64)
    # the last sample stands for the period after it, so the new clock may run on for less than one period
    missing = at >= samples.size
    if not known.all():
        missing |= ~known[np.minimum(np.round(at).astype(np.int64), samples.size - 1)]
    resampled[missing] = np.nan
    return resampled
