"""Ectopic beats and outliers, told by timing and by shape."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..beats.qrs_shape import _likeness
from ..settings import Settings
from ..signals import FloatArray
from ..windows import IntArray
from .pattern import _alternating, _interpolated

Mask = NDArray[np.bool_]

NEIGHBOURS = 8
FEWEST_NEIGHBOURS = 3
FEWEST_JUDGED = 6
FULL_OF_ECTOPY = 0.22  # just under every fourth beat (project choice)
SHAPE_METRICS = ("dpdt_max_mmhg_per_s", "p_max_mmhg", "sv_ml")


def _neighbour_median(x: FloatArray, group: IntArray, offsets: IntArray) -> tuple[FloatArray, IntArray]:
    """Median of ``x`` at the given offsets within the same group, and how many beats it rests on."""
    index = np.arange(x.size)[:, None] + offsets
    inside = (index >= 0) & (index < x.size)
    index = np.clip(index, 0, max(x.size - 1, 0))
    values = np.where(inside & (group[index] == group[:, None]), x[index], np.nan)
    count = np.isfinite(values).sum(axis=1)
    ordered = np.sort(values, axis=1)  # NaN last
    row = np.arange(x.size)
    last = np.maximum(count - 1, 0)
    median = 0.5 * (ordered[row, last // 2] + ordered[row, (last + 1) // 2])
    return median, count


def _spread(x: FloatArray, group: IntArray) -> FloatArray:
    """Robust SD of ``x`` in each group (1.4826 times the median absolute value), spread over its members."""
    result = np.full(x.size, np.nan)
    for label in np.unique(group):
        members = group == label
        usable = np.abs(x[members & np.isfinite(x)])
        result[members] = 1.4826 * np.median(usable) if usable.size else np.nan
    return result


def _stretch_numbers(epoch: IntArray) -> IntArray:
    """Number of the stretch of equal ``epoch`` each beat lies in: beats are compared within a stretch only."""
    return np.concatenate(([0], np.cumsum(np.diff(epoch) != 0))).astype(np.int64) if epoch.size else epoch


def _rr_reference(interval: FloatArray, group: IntArray) -> FloatArray:
    """Interval to expect before each beat: the smaller of the medians over the 8 beats before and the 8 after.

    Taking the smaller keeps a lasting change of rate from being read as one premature beat.
    """
    before, n_before = _neighbour_median(interval, group, np.arange(-NEIGHBOURS, 0))
    after, n_after = _neighbour_median(interval, group, np.arange(1, NEIGHBOURS + 1))
    before = np.where(n_before >= FEWEST_NEIGHBOURS, before, np.inf)
    after = np.where(n_after >= FEWEST_NEIGHBOURS, after, np.inf)
    reference = np.minimum(before, after)
    return np.where(np.isfinite(reference), reference, np.nan)


def _rhythm_spread(interval: FloatArray, group: IntArray) -> FloatArray:
    """Robust spread of the interval about its neighbours', as a fraction of it, per beat's stretch."""
    around, _ = _neighbour_median(interval, group, np.r_[-4:0, 1:5])
    return _spread(interval / around - 1, group)


def _shape_deviation(metrics: Mapping[str, FloatArray], group: IntArray, fraction: float) -> Mask:
    """Beats whose pressure or stroke volume is far from their neighbours', both relatively and in SDs."""
    far: Mask = np.zeros(group.size, dtype=bool)
    for key in SHAPE_METRICS:
        if key not in metrics:
            continue
        expected, count = _neighbour_median(metrics[key], group, np.r_[-NEIGHBOURS:0, 1 : NEIGHBOURS + 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            deviation = metrics[key] / expected - 1
        spread = _spread(deviation, group)
        far |= (np.abs(deviation) > np.maximum(fraction, 5 * spread)) & (count >= FEWEST_NEIGHBOURS)
    return far


@dataclass(frozen=True)
class RhythmVerdict:
    """What the rhythm makes of each beat; each shape (n,).

    Attributes
    ----------
    ectopic, outlier
        Beats refused for their timing, their QRS or their shape of pressure.
    irregular
        Beats of a stretch without any order of cycles, as in atrial fibrillation.
    alternating, interpolated
        Ectopic beats of a bigeminal stretch, and those between two normal beats that keep their time.
    after_hidden
        Beats that follow a contraction seen in the pressure of diastole alone, or probably one before their stretch.
    """

    ectopic: Mask
    outlier: Mask
    irregular: Mask
    alternating: Mask
    interpolated: Mask
    after_hidden: Mask


def _judge_rhythm(
    mark_s: FloatArray,
    next_s: FloatArray,
    metrics: Mapping[str, FloatArray],
    group: IntArray,
    settings: Settings,
    shapes: NDArray[np.float32] | None = None,
    hidden: Mask | None = None,
    onset_s: FloatArray | None = None,
) -> RhythmVerdict:
    """Tell ectopic beats by prematurity, pattern, compensating pause, QRS and shape of the pressure.

    First come beats of a bigeminal pattern. Then what is left without the early beats and the pauses after them shows
    the rhythm beneath: where it has no order (atrial fibrillation), nothing is refused for its timing. Elsewhere a
    beat is ectopic when it comes early by ``premature_fraction``, or by the smaller ``compensated_fraction`` with a
    next interval lengthened as much, or at all early with a far-off pressure, stroke volume or QRS. Both fractions
    grow to three and two SDs of the rhythm's own spread, so that breathing is not taken for ectopy.

    Parameters
    ----------
    shapes
        QRS of each beat as :func:`_qrs_shapes` gives it, or ``None``.
    hidden
        Beats in whose diastole the pressure shows one more contraction, too weak to be a beat, or ``None``.
    onset_s
        Onset of each beat's rise of pressure, or ``None``. A rhythm is without order, or alternates, only when the
        pressure says so too: in a notched QRS the R wave is found now at one peak, now at the other.
    """
    nothing: Mask = np.zeros(mark_s.size, dtype=bool)
    if mark_s.size == 0:
        return RhythmVerdict(*[nothing] * 6)
    following = next_s - mark_s
    preceding = np.concatenate(([np.nan], following[:-1]))
    steadier = preceding if onset_s is None else _steadier(preceding, np.diff(onset_s, prepend=np.nan), group)
    alternating = nothing.copy()
    for label in np.unique(group):
        members = np.flatnonzero(group == label)
        next_steadier = np.concatenate((steadier[members[1:]], following[members[-1:]]))
        alternating[members] = _alternating(steadier[members], next_steadier, settings)
    # An early beat and the pause after it say nothing about the rhythm beneath.
    reference = _rr_reference(_without(preceding, alternating), group)
    with np.errstate(invalid="ignore"):
        early = 1 - preceding / reference
        late = following / reference - 1
    provisional = alternating | (early > settings.premature_fraction)
    beneath = _without(preceding, provisional)
    spread = np.nan_to_num(_rhythm_spread(beneath, group))
    irregular = _irregular(steadier, provisional, alternating, group, settings)
    with np.errstate(invalid="ignore"):
        premature = early > np.maximum(settings.premature_fraction, 3 * spread)
        smaller = np.maximum(settings.compensated_fraction, 2 * spread)
        compensated = (early > smaller) & (late > smaller)
        far = _shape_deviation(metrics, group, settings.shape_fraction)
        strange = _strange_qrs(shapes, provisional, group, settings)
        ectopic = ~irregular & (alternating | premature | compensated | ((far | strange) & (early > 0.04)))
        ectopic |= irregular & strange & (_share(strange, group) < settings.strange_share)
    after = np.concatenate((following[1:], [np.nan]))
    between = _interpolated(ectopic, preceding, following, after, reference)
    # The normal beat after an interpolated one comes early against that one only.
    ectopic &= ~np.concatenate(([False], between[:-1]))
    between &= ectopic
    after_hidden = nothing.copy()
    if hidden is not None:
        after_hidden[1:] = hidden[:-1]
    after_hidden |= _before_first(ectopic, group)
    return RhythmVerdict(ectopic, far & ~ectopic & ~irregular, irregular, alternating, between, after_hidden)


def _steadier(by_r_wave: FloatArray, by_pressure: FloatArray, group: IntArray) -> FloatArray:
    """Of the two intervals before each beat, the one nearer to the median of its stretch."""
    result = by_r_wave.copy()
    for label in np.unique(group):
        members = np.flatnonzero(group == label)
        known = members[np.isfinite(by_r_wave[members]) & np.isfinite(by_pressure[members])]
        if known.size:
            middle = np.median(by_pressure[known])
            nearer = np.abs(by_pressure[known] - middle) < np.abs(by_r_wave[known] - middle)
            result[known] = np.where(nearer, by_pressure[known], by_r_wave[known])
    return result


def _before_first(ectopic: Mask, group: IntArray) -> Mask:
    """Up to three beats before the first ectopic one of a stretch full of them: they probably follow one themselves."""
    result: Mask = np.zeros(group.size, dtype=bool)
    for label in np.unique(group):
        members = np.flatnonzero(group == label)
        places = np.flatnonzero(ectopic[members])
        if places.size > 1 and places.size >= FULL_OF_ECTOPY * members.size and places[0] <= FEWEST_NEIGHBOURS:
            result[members[: places[0]]] = True
    return result


def _without(preceding: FloatArray, flags: Mask) -> FloatArray:
    """Intervals before beats, NaN where they lead to a flagged beat or from one."""
    from_one = np.concatenate(([False], flags[:-1]))
    return np.where(flags | from_one, np.nan, preceding)


def _share(flags: Mask, group: IntArray) -> FloatArray:
    """Share of flagged beats in each group, spread over its members."""
    _, place = np.unique(group, return_inverse=True)
    return np.asarray((np.bincount(place, weights=flags) / np.bincount(place))[place])


def _irregular(
    preceding: FloatArray, provisional: Mask, alternating: Mask, group: IntArray, settings: Settings
) -> Mask:
    """Stretches whose cycles have no order, with and without the early beats."""
    whole = np.nan_to_num(_rhythm_spread(preceding, group))
    beneath = _without(preceding, provisional)
    spread = np.nan_to_num(_rhythm_spread(beneath, group))
    result: Mask = np.zeros(group.size, dtype=bool)
    for label in np.unique(group):
        members = group == label
        count = int(members.sum())
        wide = whole[members].max() > settings.irregular_rr_fraction
        left = int(np.isfinite(beneath[members]).sum())
        ordered = 2 * int(alternating[members].sum()) > 0.6 * count
        if not wide or ordered or count < FEWEST_JUDGED:
            continue
        result[members] = left < FEWEST_NEIGHBOURS + 1 or spread[members].max() > settings.irregular_beneath_fraction
    return result


def _strange_qrs(shapes: NDArray[np.float32] | None, early: Mask, group: IntArray, settings: Settings) -> Mask:
    """Beats whose QRS is unlike the usual one of their stretch, which is the median of the beats that are not early."""
    result: Mask = np.zeros(group.size, dtype=bool)
    if shapes is None:
        return result
    known = np.isfinite(shapes[:, 0])
    for label in np.unique(group):
        members = np.flatnonzero((group == label) & known)
        usual = members[~early[members]]
        if usual.size < FEWEST_NEIGHBOURS:
            continue
        template = np.median(shapes[usual], axis=0)
        result[members] = _likeness(shapes[members], template) < settings.qrs_likeness
    return result
