"""Ectopic beats and outliers, told by timing and by shape."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..results import QualityNote
from ..settings import Settings
from ..signals import EpochWindow, FloatArray
from ..windows import IntArray

Mask = NDArray[np.bool_]

NEIGHBOURS = 8
FEWEST_NEIGHBOURS = 3
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
    """Ectopic beats, other outliers, and beats in a stretch of irregular rhythm; each shape (n,)."""

    ectopic: Mask
    outlier: Mask
    irregular: Mask


def _judge_rhythm(
    mark_s: FloatArray, next_s: FloatArray, metrics: Mapping[str, FloatArray], group: IntArray, settings: Settings
) -> RhythmVerdict:
    """Tell ectopic beats by prematurity, compensating pause and shape.

    A beat is ectopic when it comes early by ``premature_fraction``, or by the smaller ``compensated_fraction`` with a
    next interval lengthened as much, or at all early with a far-off pressure or stroke volume. Both fractions grow to
    three and two SDs of the rhythm's own spread, so that breathing is not taken for ectopy; in a stretch whose
    spread exceeds ``irregular_rr_fraction`` (atrial fibrillation) nothing is refused for its timing.
    """
    if mark_s.size == 0:
        nothing: Mask = np.zeros(0, dtype=bool)
        return RhythmVerdict(nothing, nothing, nothing)
    following = next_s - mark_s
    preceding = np.concatenate(([np.nan], following[:-1]))
    reference = _rr_reference(preceding, group)
    spread = np.nan_to_num(_rhythm_spread(preceding, group))
    irregular = spread > settings.irregular_rr_fraction
    with np.errstate(invalid="ignore"):
        early = 1 - preceding / reference
        late = following / reference - 1
        premature = early > np.maximum(settings.premature_fraction, 3 * spread)
        smaller = np.maximum(settings.compensated_fraction, 2 * spread)
        compensated = (early > smaller) & (late > smaller)
        far = _shape_deviation(metrics, group, settings.shape_fraction)
        ectopic = ~irregular & (premature | compensated | (far & (early > 0.04)))
    return RhythmVerdict(ectopic, far & ~ectopic, irregular)


def _rhythm_notes(verdict: RhythmVerdict, epoch: IntArray, windows: Sequence[EpochWindow]) -> list[QualityNote]:
    """A note for each epoch with an irregular rhythm."""
    notes = []
    for index, window in enumerate(windows):
        members = verdict.irregular[epoch == index]
        if members.size and members.mean() > 0.5:
            text = "The rhythm is irregular (atrial fibrillation?): no beats were excluded for their timing."
            notes.append(QualityNote("irregular_rhythm", text, epoch=window.label))
    return notes
