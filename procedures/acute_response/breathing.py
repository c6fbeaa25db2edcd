"""The breathing frequency of a session, from the beats of all its epochs together."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from procedures.acute_response.values import FloatArray, IntArray

_SLOWEST_HZ, _FASTEST_HZ = 0.08, 0.50  # 5 to 30 breaths a minute
_MOST_FREQUENCIES = 128
_MOST_BEATS = 200  # of each epoch are enough to find the frequency, and keep the search small
_FEWEST_BEATS = 6


def _find_breathing(t: FloatArray, centred: FloatArray, counts: IntArray, duration: FloatArray) -> float | None:
    """Peak of the pooled periodogram, Hz; None when no frequency stands out or the beats are too few to tell.

    Parameters
    ----------
    t, centred
        Beat times in seconds from the middle of the epoch and values less the epoch's mean, padded with zeros;
        shape ``(epochs, beats)``.
    counts, duration
        Beats of each epoch and seconds from its first to its last; shape ``(epochs,)``.
    """
    long_enough = (counts >= _FEWEST_BEATS) & (duration > 0)
    if not long_enough.any():
        return None
    fastest = min(_FASTEST_HZ, 0.45 * float(np.median((counts[long_enough] - 1) / duration[long_enough])))
    if fastest < 1.5 * _SLOWEST_HZ:
        return None  # beats too far apart to show breathing
    # Half the resolution of the typical epoch; the peak is then found between the points of the grid.
    points = np.ceil((fastest - _SLOWEST_HZ) * 2.0 * float(np.median(duration[long_enough]))) + 1
    points = int(np.clip(points, 8, _MOST_FREQUENCIES))
    clock = np.ascontiguousarray(t[:, :_MOST_BEATS])
    waves = _waves(clock.tobytes(), clock.shape, _SLOWEST_HZ, fastest, points)
    used = (centred[:, :_MOST_BEATS] * long_enough[:, None]).astype(np.float32)
    along = np.einsum("eb,keb->ke", used, waves)
    power = ((along.real**2 + along.imag**2) * 2.0 / np.minimum(counts, _MOST_BEATS)).sum(1)
    total = float((used * used).sum())
    best = int(power.argmax())
    # Under pure noise a two-parameter wave per epoch explains 2/(n-1) of the scatter; ask for clearly more.
    expected = float((2.0 / (counts[long_enough] - 1)).mean())
    if total <= 0 or power[best] / total < min(0.9, 1.5 * expected + 0.05):
        return None
    step = (fastest - _SLOWEST_HZ) / (points - 1)
    frequency = _SLOWEST_HZ + best * step
    if 0 < best < points - 1:
        left, top, right = power[best - 1 : best + 2]
        frequency += float(0.5 * (left - right) / (left - 2.0 * top + right) * step)
    return frequency


@lru_cache(maxsize=2)  # the metrics of a session share their beats
def _waves(clock: bytes, shape: tuple[int, int], low: float, high: float, points: int) -> NDArray[np.complex64]:
    """``exp(2 pi i f t)`` for evenly spaced ``f``: by doubling, because multiplying is cheaper than a sine."""
    t = np.frombuffer(clock).reshape(shape)
    waves = np.empty((points, *shape), np.complex64)  # only the place of a peak is wanted
    waves[0] = np.exp(2j * np.pi * low * t)
    shift = np.exp(2j * np.pi * ((high - low) / (points - 1)) * t).astype(np.complex64)
    done = 1
    while done < points:
        more = min(done, points - done)
        np.multiply(waves[:more], shift, out=waves[done : done + more])
        shift = shift * shift
        done += more
    waves.setflags(write=False)
    return waves
