"""Breathing: its period from its own channel or from the pressures, and epochs cut to whole breaths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from ..signals import FloatArray

SLOWEST_HZ, FASTEST_HZ = 0.12, 0.6
WINDOW_S = 40.0
CLEAR_SHARE = 0.4
FEWEST_VALUES = 12


@dataclass(frozen=True)
class Breathing:
    """Period, s, and where it was seen (``respiration channel`` or ``pressure``)."""

    period_s: float
    source: str


def _sine_share(time_s: FloatArray, value: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """Share of the variance of ``value`` about a straight line that a sine of each frequency explains.

    Least squares at uneven times, the mean fitted with the sine.

    Parameters
    ----------
    time_s, value
        Times, s, and values, both of shape (n,), finite; NaN is not looked for and would spread to the result.
    frequency_hz
        Frequencies above zero, Hz, shape (f,).

    Returns
    -------
    ndarray
        Shares from 0 to 1, shape (f,); 0 where nothing is left beside the line.

    References
    ----------
    Lomb, Astrophys Space Sci 1976;39:447 (from memory), with a floating mean: ``scipy.signal.lombscargle``.
    """
    line = np.polynomial.Polynomial.fit(time_s, value, 1)
    rest = value - line(time_s)
    power = float(rest @ rest)
    if not power > 0:
        return np.zeros(frequency_hz.size)
    angular = 2 * np.pi * frequency_hz
    with np.errstate(divide="ignore", invalid="ignore"):  # a remainder of rounding has no power to share
        share = signal.lombscargle(time_s - time_s[0], rest, angular, normalize=True, floating_mean=True)
    # NaN where every sample falls on a node of the sine, or nothing is left beside the mean.
    return np.clip(np.nan_to_num(np.asarray(share, dtype=np.float64), posinf=0.0, neginf=0.0), 0.0, 1.0)


def _dominant_period_s(
    time_s: FloatArray, value: FloatArray, fastest_hz: float = FASTEST_HZ, smallest: float = 0.0
) -> float | None:
    """Period of a clear rhythm of 0.12 to ``fastest_hz`` with an amplitude of ``smallest`` or more, or ``None``.

    The shares of variance explained are averaged over windows of 40 s, since nobody breathes like a clock; the best
    frequency must explain 40 % on average, more when there are few values.
    """
    frequency = np.linspace(SLOWEST_HZ, min(fastest_hz, FASTEST_HZ), 200)
    if frequency[-1] <= SLOWEST_HZ or time_s.size < FEWEST_VALUES:
        return None
    edges = np.arange(time_s[0], max(time_s[-1] - WINDOW_S / 2, time_s[0] + 1e-9), WINDOW_S)
    shares, counts, variances = [], [], []
    for start in edges:
        last = start == edges[-1]
        inside = (time_s >= start) & (last | (time_s < start + WINDOW_S))
        if inside.sum() < FEWEST_VALUES:
            continue
        shares.append(_sine_share(time_s[inside], value[inside], frequency))
        counts.append(int(inside.sum()))
        variances.append(float(np.var(value[inside])))
    if not shares:
        return None
    mean = np.mean(shares, axis=0)
    best = int(mean.argmax())
    # the best of many frequencies explains about 2·ln(n)/n of pure noise
    by_chance = float(np.mean([2 * np.log(n) / n for n in counts]))
    if not 0 < best < frequency.size - 1 or mean[best] < CLEAR_SHARE + by_chance / len(counts):
        return None
    amplitude = np.sqrt(2 * mean[best] * np.mean(variances))
    return float(1 / frequency[best]) if amplitude >= smallest else None


def _from_channel(time_s: FloatArray, series: FloatArray) -> Breathing | None:
    """Breathing from its own channel, thinned out."""
    if time_s.size == 0:
        return None
    period = _dominant_period_s(time_s, series)
    return Breathing(period, "respiration channel") if period else None


def _from_beats(time_s: FloatArray, values: list[FloatArray], smallest: list[float]) -> Breathing | None:
    """Breathing from the swing of several metrics from beat to beat; the first that shows it clearly tells.

    ``smallest``: amplitude below which a swing of each is not taken for breathing. Heart beat and sampling make
    small regular swings of their own, and one so small moves no mean.
    """
    for value, floor in zip(values, smallest, strict=True):
        good = np.isfinite(value)
        if good.sum() < FEWEST_VALUES:
            continue
        rate = 1 / float(np.median(np.diff(time_s[good])))
        period = _dominant_period_s(time_s[good], value[good], 0.45 * rate, floor)
        if period:
            return Breathing(period, "pressure")
    return None


def _whole_breaths(start_s: FloatArray, end_s: FloatArray, period_s: float, minimum: float) -> tuple[bool, FloatArray]:
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
