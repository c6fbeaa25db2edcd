"""Gaps and stretches without change in a channel, and the bridging of short ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..signals import FloatArray

FLAT_S = 0.5


def _runs_of(flags: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and stops of the runs of True."""
    edge = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return edge[::2], edge[1::2]


def _missing_runs(x: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and stops of runs of samples that are not finite."""
    good = np.isfinite(x)
    return _runs_of(~good) if not good.all() else (np.empty(0, np.int64), np.empty(0, np.int64))


def _bridge(x: FloatArray) -> FloatArray:
    """Straight lines over samples that are not finite; the very same array when there are none."""
    good = np.isfinite(x)
    if good.all():
        return x
    if not good.any():
        return np.zeros_like(x)
    return np.interp(np.arange(x.size), np.flatnonzero(good), x[good])


def _flat_runs(x: FloatArray, sample_rate_hz: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and stops of stretches of half a second or more without any change."""
    # so long a stretch holds two samples a quarter of a second apart; where no such two are equal there is none
    apart = x[:: max(int(FLAT_S * sample_rate_hz) // 2, 1)]
    if not (apart[1:] == apart[:-1]).any():
        return np.empty(0, np.int64), np.empty(0, np.int64)
    starts, stops = _runs_of(np.diff(x) == 0)
    stops = stops + 1
    long = stops - starts >= FLAT_S * sample_rate_hz
    return starts[long], stops[long]
