"""From a column of times to one sampling rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .signals import RecordingError

# A time may be off its place on an even grid by this part of a sample period: rounding to whole milliseconds
# moves a 500 Hz grid by a quarter. A missing row moves all that follow by a whole period.
_TOLERANCE = 0.3


def uniform_rate(time_s: NDArray[np.float64]) -> float:
    """Sampling rate of evenly rising times.

    Parameters
    ----------
    time_s : (n,) float64
        Times in s, n >= 2.

    Returns
    -------
    float
        Hz; a whole number where the times agree with one.

    Raises
    ------
    RecordingError
        Where the times do not rise, or not evenly.
    """
    steps = np.diff(time_s)
    if np.any(steps <= 0):
        row = int(np.argmax(steps <= 0)) + 2
        raise RecordingError(
            f"The time does not rise at row {row}: {time_s[row - 1]:.9g} s comes after {time_s[row - 2]:.9g} s."
        )
    usual = float(np.median(steps))
    count = np.arange(time_s.size)
    offsets = time_s - time_s[0]
    off = np.abs(steps - usual) > 2 * _TOLERANCE * usual
    # the mean step, not the median, is free of the rounding of single times
    rate = (time_s.size - 1) / float(offsets[-1])
    if np.any(off) or np.max(np.abs(offsets * rate - count)) > _TOLERANCE:
        row = int(np.argmax(off)) + 2 if np.any(off) else int(np.argmax(np.abs(offsets * rate - count))) + 1
        raise RecordingError(
            f"The time is uneven at row {row} ({time_s[row - 1]:.9g} s); the usual step is {usual:.6g} s. "
            "Samples must be evenly spaced, without missing rows."
        )
    whole = round(rate)
    if whole > 0 and np.max(np.abs(offsets * whole - count)) <= _TOLERANCE:
        return float(whole)
    return rate
