"""Mechanical dyssynchrony from segmental volumes, beat by beat.

Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (title and abstract seen; definitions from memory):

- dyssynchrony of a segment: percent of the cycle in which the sign of its slope differs from that of the total;
  the mean over the segments is the value of the beat; systole runs from dP/dtmax to dP/dtmin
- internal flow: (sum of |dV_i/dt| − |dV/dt|)/2; its fraction is 100·∫internal flow dt/∫|dV/dt| dt over the cycle
- dispersion: twice the SD (n − 1) over segments of the lag, ms, at which a segment correlates best with the total
  over systole

Project choices: one low-pass common to all segments; a slope of zero, or below its own noise, is synchronous;
slopes of neighbouring used beats of an epoch are averaged on cycle phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from ..beats.cycles import Cycles
from ..conditioning.segments import SegmentTraces, _block_centre
from ..settings import Settings
from ..signals import FloatArray
from ..windows import IntArray, _interpolate
from .dispersion import _best_lag_ms, _lag_correlation, dispersion_ms

SYSTOLIC_POINTS, DIASTOLIC_POINTS = 200, 300


def _slopes_by_phase(
    traces: SegmentTraces, start: FloatArray, middle: FloatArray, stop: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Slopes of each beat on a common phase: 200 points of systole, then 300 of diastole.

    The two parts are stretched separately, since a longer cycle lengthens diastole far more than systole.

    Parameters
    ----------
    start, middle, stop
        Onset, dP/dtmin and next onset in samples of the slopes, shape (beats,).

    Returns
    -------
    slopes, weight
        Shapes (k, beats, 500) and (beats, 500); the weights of a beat are the shares of its time and sum to 1.
    """
    systolic = (np.arange(SYSTOLIC_POINTS) + 0.5) / SYSTOLIC_POINTS
    diastolic = (np.arange(DIASTOLIC_POINTS) + 0.5) / DIASTOLIC_POINTS
    first, second = (middle - start)[:, None], (stop - middle)[:, None]
    at = np.concatenate((start[:, None] + first * systolic, middle[:, None] + second * diastolic), axis=1)
    weight = np.concatenate(
        (
            np.repeat(first / SYSTOLIC_POINTS, SYSTOLIC_POINTS, 1),
            np.repeat(second / DIASTOLIC_POINTS, DIASTOLIC_POINTS, 1),
        ),
        axis=1,
    )
    return _interpolate(traces.slope, at), weight / (stop - start)[:, None]


def _average_neighbours(values: FloatArray, group: NDArray[np.int64], beats: int) -> tuple[FloatArray, FloatArray]:
    """Mean over up to ``beats`` neighbouring beats of the same group, and over how many.

    Parameters
    ----------
    values
        Shape (k, n, m), beats along the middle axis.
    group
        Shape (n,); a beat of group −1 is left as it is. Towards the ends of a group the window is cut short.
    """
    result, count = values.copy(), np.ones(values.shape[1])
    half = beats // 2
    for label in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == label)
        if members.size < 2 or half < 1:
            continue
        order = np.arange(members.size)
        first, last = np.maximum(order - half, 0), np.minimum(order + half + 1, members.size)
        running = np.zeros((values.shape[0], members.size + 1, values.shape[2]))
        np.cumsum(values[:, members], axis=1, out=running[:, 1:])
        count[members] = last - first
        result[:, members] = (running[:, last] - running[:, first]) / (last - first)[None, :, None]
    return result, count


def _opposed(slopes: FloatArray, dead_band: FloatArray | float = 0.0) -> NDArray[np.bool_]:
    """Where a segment's slope has another sign than the total's, shape of ``slopes``: (k, ..., times).

    ``dead_band``, mL/s, shape (k, 1, ...): slopes of a segment within it count as zero, and so does a total within
    the root of the summed squares; zero is synchronous.
    """
    total = slopes.sum(axis=0)
    one_each = (slopes.shape[0], *(1,) * (slopes.ndim - 1))
    band = np.full(one_each, dead_band) if np.ndim(dead_band) == 0 else np.asarray(dead_band)
    moving = np.abs(total) > np.sqrt((band**2).sum(axis=0))
    return np.asarray((slopes * total < 0) & (np.abs(slopes) > band) & moving)


def dyssynchrony_percent(
    slopes: FloatArray, weight: FloatArray | None = None, dead_band: FloatArray | float = 0.0
) -> FloatArray:
    """Percent of time for which each segment moves against the total.

    Parameters
    ----------
    slopes
        Shape (k, beats, times), any unit per time; where one is NaN, none counts as moving against the total.
    weight
        Share of time of each sample, shape (beats, times), not necessarily summing to 1; equal when ``None``.
    dead_band
        Slopes of a segment within it count as zero, unit of ``slopes``, shape (k, 1, 1) or one for all.

    Returns
    -------
    ndarray
        Shape (k, beats), percent; NaN for a beat without weight.

    References
    ----------
    Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (definition from memory).
    """
    share = np.ones(slopes.shape[1:]) if weight is None else weight
    return _percent_of_time(_opposed(slopes, dead_band).astype(float), share)


def _percent_of_time(flags: FloatArray, share: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(100 * np.einsum("kbt,bt->kb", flags, share) / share.sum(axis=1))


def internal_flow_percent(slopes: FloatArray, weight: FloatArray | None = None) -> FloatArray:
    """Internal flow fraction of each beat: volume shifted between segments, over the volume that leaves or enters.

    Parameters
    ----------
    slopes
        Shape (k, beats, times), any unit per time.
    weight
        Share of time of each sample, shape (beats, times); equal when ``None``.

    Returns
    -------
    ndarray
        Percent, shape (beats,); NaN for a beat with a slope that is NaN, not finite where the total never moves.

    References
    ----------
    Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (definition from memory).
    """
    share = np.ones(slopes.shape[1:]) if weight is None else weight
    total = np.abs(slopes.sum(axis=0))
    internal = (np.abs(slopes).sum(axis=0) - total) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(100 * np.einsum("bt,bt->b", internal, share) / np.einsum("bt,bt->b", total, share))


@dataclass(frozen=True)
class SegmentMotion:
    """What each segment of each beat does, as columns of shape (k, n).

    Attributes
    ----------
    whole, systolic, diastolic
        Percent of the cycle, of systole (dP/dtmax to dP/dtmin) and of the rest, spent moving against the total.
    lag_ms
        Lag behind the total over systole.
    internal_flow
        Internal flow fraction of each beat, percent, shape (n,).
    """

    whole: FloatArray
    systolic: FloatArray
    diastolic: FloatArray
    lag_ms: FloatArray
    internal_flow: FloatArray

    def chosen(self, which: slice) -> SegmentMotion:
        """Some of the beats."""
        return SegmentMotion(*(getattr(self, field.name)[..., which] for field in fields(self)))

    @classmethod
    def joined(cls, parts: Sequence[SegmentMotion]) -> SegmentMotion:
        """The beats of several parts in turn."""
        return cls(*(np.concatenate([getattr(part, field.name) for part in parts], -1) for field in fields(cls)))


def _segment_motion(
    traces: SegmentTraces, cycles: Cycles, minimum: IntArray, group: NDArray[np.int64], settings: Settings, rate: float
) -> SegmentMotion:
    """Motion of every segment in every beat.

    ``group``: epoch of each beat that may be averaged with its neighbours, −1 for one that stands alone.
    """
    marks = (cycles.onset, minimum.astype(float), cycles.next_onset)
    slopes, weight = _slopes_by_phase(traces, *(_block_centre(x, rate, traces.slope_rate_hz) for x in marks))
    systole = (_block_centre(x.astype(float), rate, traces.rate_hz) for x in (cycles.peak_slope, minimum))
    beats = settings.slope_average_beats if traces.noisy else 1
    slopes, averaged = _average_neighbours(slopes, group, beats)
    correlation, _ = _average_neighbours(_lag_correlation(traces, *systole), group, beats)
    band = settings.slope_dead_band_sd * traces.noise[:, None, None] / np.sqrt(averaged)[None, :, None]
    # Systole begins at dP/dtmax, a little way into the part from onset to dP/dtmin.
    begin = (cycles.peak_slope - cycles.onset) / np.maximum(minimum - cycles.onset, 1)
    phase = (np.arange(SYSTOLIC_POINTS + DIASTOLIC_POINTS) + 0.5) / SYSTOLIC_POINTS
    within = weight * ((phase >= begin[:, None]) & (phase < 1))
    against = _opposed(slopes, band).astype(float)
    return SegmentMotion(
        _percent_of_time(against, weight),
        _percent_of_time(against, within),
        _percent_of_time(against, weight - within),
        _best_lag_ms(correlation),
        internal_flow_percent(slopes, weight),
    )


def _dyssynchrony_metrics(motion: SegmentMotion) -> dict[str, FloatArray]:
    """The metrics of a beat, shape (n,): mean dyssynchrony over the segments, internal flow, dispersion."""
    return {
        "dyssynchrony_percent": motion.whole.mean(axis=0),
        "internal_flow_percent": motion.internal_flow,
        "dispersion_ms": dispersion_ms(motion.lag_ms),
    }
