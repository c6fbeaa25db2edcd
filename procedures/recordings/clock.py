"""From times to one sampling rate."""

from __future__ import annotations

import tempfile
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from .signals import RecordingError

# A time may be off its place on an even grid by this part of a sample period: rounding to whole milliseconds
# moves a 500 Hz grid by a quarter. A missing row moves all that follow by a whole period.
_TOLERANCE = 0.3
# Times are looked at in blocks, so that memory does not grow with their number; the first block says what is usual.
_BLOCK = 2**20


class Clock:
    """Takes the times of a long recording piece by piece; :meth:`rate_hz` says at the end how fast it was sampled."""

    def __init__(self) -> None:
        self.count = 0
        self._last = -np.inf
        self._times = tempfile.TemporaryFile()  # noqa: SIM115 - closed at the end of the block

    def __enter__(self) -> Clock:
        return self

    def __exit__(self, *_: object) -> None:
        self._times.close()

    def take(self, time_s: NDArray[np.float64]) -> None:
        """Take the times that follow.

        Parameters
        ----------
        time_s : (n,) float64
            Times in s, n >= 1.

        Raises
        ------
        RecordingError
            Where the times do not rise.
        """
        _check_rising(np.concatenate(([self._last], time_s)), self.count)
        self._times.write(np.ascontiguousarray(time_s).tobytes())
        self.count += len(time_s)
        self._last = float(time_s[-1])

    def rate_hz(self) -> float:
        """Return the rate of all times taken, as :func:`_uniform_rate` does, Hz."""
        self._times.flush()
        return _uniform_rate(np.memmap(self._times, np.float64, "r", shape=(self.count,)))


def _check_rising(time_s: NDArray[np.float64], above: int) -> None:
    falls = np.diff(time_s) <= 0
    if np.any(falls):
        at = int(np.argmax(falls))
        raise RecordingError(
            f"The time does not rise at row {above + at + 1}: {time_s[at + 1]:.9g} s comes after {time_s[at]:.9g} s."
        )


def _uniform_rate(time_s: NDArray[np.float64]) -> float:
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
    usual = float(np.median(np.diff(time_s[: _BLOCK + 1])))
    uneven: int | None = None
    for first in range(0, time_s.size, _BLOCK):
        block = np.asarray(time_s[first : first + _BLOCK + 1])
        _check_rising(block, first + 1)
        off = np.abs(np.diff(block) - usual) > 2 * _TOLERANCE * usual
        if uneven is None and np.any(off):
            uneven = first + int(np.argmax(off)) + 2
    # the mean step, not the median, is free of the rounding of single times
    rate = (time_s.size - 1) / float(time_s[-1] - time_s[0])
    worst, at = _furthest(time_s, rate)
    if uneven is not None or worst > _TOLERANCE:
        row = uneven or at + 1
        raise RecordingError(
            f"The time is uneven at row {row} ({time_s[row - 1]:.9g} s); the usual step is {usual:.6g} s. "
            "Samples must be evenly spaced, without missing rows."
        )
    whole = round(rate)
    if whole > 0 and _furthest(time_s, whole)[0] <= _TOLERANCE:
        return float(whole)
    return rate


def _furthest(time_s: NDArray[np.float64], rate_hz: float) -> tuple[float, int]:
    """How far the times are off an even grid at most, in sample periods, and where."""
    worst, at = 0.0, 0
    for first in range(0, time_s.size, _BLOCK):
        block = np.asarray(time_s[first : first + _BLOCK])
        off = np.abs((block - time_s[0]) * rate_hz - np.arange(first, first + block.size))
        here = int(np.argmax(off))
        if off[here] > worst:
            worst, at = float(off[here]), first + here
    return worst, at


def _moment_of(text: str) -> datetime | None:
    """Return the time that digits such as ``20240506101500`` name.

    Parameters
    ----------
    text
        Year, month, day, hour, minute and second, as DICOM and HL7 write them; what follows is passed over.

    Returns
    -------
    datetime or None
        Local to the recorder; None where the text is no time.
    """
    try:
        return datetime.strptime(text[:14], "%Y%m%d%H%M%S")  # noqa: DTZ007 - as written, without a zone
    except ValueError:
        return None
