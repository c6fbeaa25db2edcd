"""The rhythm of each epoch, in a word, and what it means for the epoch's numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..refusal.pattern import _in_steps_of, _runs
from ..refusal.rhythm import FEWEST_JUDGED, RhythmVerdict
from ..results import EpochRhythm, QualityNote
from ..settings import Settings
from ..signals import EpochWindow, FloatArray
from ..windows import IntArray

# Shares of an epoch's beats (project choice).
PATTERN_SHARE = 0.3
DISTURBED_SHARE = 0.3
LONGEST_COUPLET = 2


def _epoch_rhythms(
    verdict: RhythmVerdict,
    hidden: NDArray[np.bool_],
    refused: NDArray[Any],
    mark_s: FloatArray,
    next_s: FloatArray,
    epoch: IntArray,
    adjusted: Sequence[bool],
    settings: Settings,
) -> list[EpochRhythm]:
    """Name the rhythm of each epoch (``adjusted``: whether its values were brought to equal preceding cycles)."""
    return [
        _rhythm(verdict, hidden, refused, next_s - mark_s, np.flatnonzero(epoch == index), done, settings)
        for index, done in enumerate(adjusted)
    ]


def _rhythm(
    verdict: RhythmVerdict,
    hidden: NDArray[np.bool_],
    refused: NDArray[Any],
    cycle: FloatArray,
    members: NDArray[np.int64],
    adjusted: bool,
    settings: Settings,
) -> EpochRhythm:
    count, left = members.size, int((refused[members] == "").sum())
    ectopic = verdict.ectopic[members]
    if count < FEWEST_JUDGED:
        text = "" if count == 0 else f"Only {count} beats: too few to tell the rhythm."
        return EpochRhythm("unknown", text, limits=count > 0)
    if verdict.irregular[members].mean() > 0.5:
        return EpochRhythm("irregular", _about_irregular(adjusted), limits=True)
    unseen = int(hidden[members].sum())
    alternating = 2 * int(verdict.alternating[members].sum())
    if alternating + 2 * unseen > PATTERN_SHARE * (count + unseen):
        return EpochRhythm("bigeminy", _about_pattern("Bigeminy", "second", left, count), limits=True)
    longest = max((length for _, length in _runs(ectopic)), default=0)
    if longest > LONGEST_COUPLET:
        text = (
            f"Ectopic beats in runs of up to {longest}: {left} of {count} beats were counted. "
            "Pressure and filling need time to recover after a run, so repeat the epoch if you can."
        )
        return EpochRhythm("runs", text, limits=True)
    if 3 * _in_steps_of(ectopic, 3) > PATTERN_SHARE * count:
        return EpochRhythm("trigeminy", _about_pattern("Trigeminy", "third", left, count), limits=True)
    if ectopic.any() or unseen:
        number = int(ectopic.sum()) + unseen
        disturbed = float(np.isin(refused[members], ("ectopic", "post_ectopic")).mean()) > DISTURBED_SHARE
        text = f"{number} ectopic beat{'s' if number != 1 else ''}: {left} of {count} beats were counted."
        if disturbed:
            text += " So many ectopic beats change the normal ones too: repeat the epoch in a steadier rhythm."
        mostly_between = 2 * int(verdict.interpolated[members].sum()) > ectopic.sum()
        return EpochRhythm("interpolated" if mostly_between else "ectopic", text, limits=disturbed)
    third = max(count // 3, 1)
    first, last = float(np.median(cycle[members[:third]])), float(np.median(cycle[members[-third:]]))
    noise = 1.4826 * float(np.median(np.abs(np.diff(cycle[members]))))
    if abs(last / first - 1) > settings.changing_rate_fraction and abs(last - first) > 3 * noise / np.sqrt(third):
        text = (
            f"The heart rate changed from {60 / first:.0f} to {60 / last:.0f}/min during the epoch. Its means stand "
            "for no single rate: compare only with epochs at a like rate, or mark a steadier stretch."
        )
        return EpochRhythm("changing", text, limits=True)
    return EpochRhythm("regular", "", limits=False)


def _about_irregular(adjusted: bool) -> str:
    text = "Irregular without a pattern, as in atrial fibrillation. "
    if adjusted:
        text += (
            "dP/dt max is the value after two cycles of equal length, read from its line against the ratio of the two "
            "preceding cycles; the other values are means of all beats. "
        )
    else:
        text += "Too few beats to allow for the length of the preceding cycles: measure for longer. "
    return text + "Compare only with epochs in the same rhythm."


def _about_pattern(name: str, place: str, left: int, count: int) -> str:
    text = f"{name}: every {place} beat is ectopic"
    if left == 0:
        return (
            f"{text}, and a normal beat soon after an ectopic one contracts differently. No beat is left that shows "
            "the effect of pacing, so no value can be told. Measure again in a steady rhythm."
        )
    return (
        f"{text} in a part of the epoch. Only the {left} of {count} beats away from ectopic ones were counted; "
        "measure again in a steady rhythm if you can."
    )


def _rhythm_notes(rhythms: Sequence[EpochRhythm], windows: Sequence[EpochWindow]) -> list[QualityNote]:
    """A remark for each epoch about whose rhythm there is something to say; a warning where it limits the numbers."""
    return [
        QualityNote(
            f"rhythm_{rhythm.kind}",
            rhythm.remark,
            epoch=window.label,
            severity="warning" if rhythm.limits else "info",
        )
        for rhythm, window in zip(rhythms, windows, strict=True)
        if rhythm.remark
    ]
