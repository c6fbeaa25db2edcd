"""Segments held against their neighbours and their own past, beat by beat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..results import QualityNote
from ..signals import EpochWindow, FloatArray
from ..windows import IntArray
from .checks import Thinned

# A segment that moves this little for its size, against the median of the others, is asked about (project choice).
LITTLE = 0.33
# Beats compared on either side of a jump, and what counts as one (project choice).
BESIDE = 5
JUMP_SHARE, JUMP_ML, JUMP_SPREADS, SHARED = 0.15, 4.0, 6.0, 0.4
ORDER_LEAN = 1.15


@dataclass(frozen=True)
class SegmentBeats:
    """Level and motion (SD) of each segment in each beat, mL, shape (k, n); NaN where a sample is missing."""

    level: FloatArray
    motion: FloatArray


def _segment_beats(thinned: Thinned, mark_s: FloatArray, next_s: FloatArray) -> SegmentBeats | None:
    rows = thinned.segments_ml
    if rows is None or mark_s.size == 0:
        return None
    level, motion = np.full((2, len(rows), mark_s.size), np.nan)
    for beat, (first_s, last_s) in enumerate(zip(mark_s, next_s, strict=True)):
        part = rows[:, thinned.between(first_s, last_s)]
        if part.shape[1] >= 8:
            level[:, beat], motion[:, beat] = part.mean(axis=1), part.std(axis=1)
    return SegmentBeats(level, motion)


def _segment_past_notes(
    thinned: Thinned,
    mark_s: FloatArray,
    next_s: FloatArray,
    epoch: IntArray,
    windows: Sequence[EpochWindow],
) -> list[QualityNote]:
    """Segments that hardly move for their size, that jump alone, or that seem to run from base to apex."""
    beats = _segment_beats(thinned, mark_s, next_s)
    if beats is None or np.count_nonzero(np.isfinite(beats.level).all(axis=0)) < 2 * BESIDE:
        return []
    jumps = _jump_notes(beats, mark_s, windows)
    return _still_notes(beats, epoch, windows) + jumps + ([] if jumps else _order_notes(beats))


def _still_notes(beats: SegmentBeats, epoch: IntArray, windows: Sequence[EpochWindow]) -> list[QualityNote]:
    """Segments that hardly move for their size in some epoch, with how much stroke volume may be missing there."""
    found: dict[int, list[tuple[str, float, float]]] = {}
    looked = 0
    for number, window in enumerate(windows):
        own = epoch == number
        if np.count_nonzero(own & np.isfinite(beats.level).all(axis=0)) < BESIDE:
            continue
        looked += 1
        for index, share, missing in _still(beats.level[:, own], beats.motion[:, own]):
            found.setdefault(index, []).append((window.label, share, missing))
    notes = []
    for index, epochs in found.items():
        share, missing = min(item[1] for item in epochs), max(item[2] for item in epochs)
        whole = len(epochs) == looked
        labels = () if whole else tuple(dict.fromkeys(item[0] for item in epochs))
        text = (
            f"Segment {index + 1} moves {100 * share:.0f} % as much as its neighbours for its size"
            + ("" if whole else f" in {', '.join(labels)}, and more in the other epochs")
            + ": a wall that does not move, or a damped electrode. If it is the electrode, stroke volume, stroke work "
            f"and ejection fraction are up to {100 * missing:.0f} % too small"
            + ("" if whole else " there, and cannot be compared with the others")
            + ". Check the electrode, or leave the segment out."
        )
        bound = dict.fromkeys(("sv_ml", "stroke_work_mmhg_ml", "ef_percent"), round(100 * missing, 1))
        notes.append(QualityNote("segment_damped", text, f"V_{index + 1}", None, "warning", labels, bound))
    return notes


def _still(level: FloatArray, motion: FloatArray) -> list[tuple[int, float, float]]:
    """Segments that hardly move: index, motion as a share of the usual, and the share of all motion that is missing."""
    level, motion = np.nanmedian(level, axis=1), np.nanmedian(motion, axis=1)
    if not (level > 0).all():
        return []
    relative, found = motion / level, []
    for index in range(relative.size):
        usual = float(np.median(np.delete(relative, index)))
        if relative[index] < LITTLE * usual:
            expected = usual * level[index]
            missing = (expected - motion[index]) / (np.delete(motion, index).sum() + expected)
            found.append((index, float(relative[index] / usual), float(missing)))
    return found


def _jump_notes(beats: SegmentBeats, mark_s: FloatArray, windows: Sequence[EpochWindow]) -> list[QualityNote]:
    whole = np.flatnonzero(np.isfinite(beats.level).all(axis=0))
    level, notes = beats.level[:, whole], []
    if level.shape[1] < 2 * BESIDE:
        return []
    groups = np.lib.stride_tricks.sliding_window_view(level, BESIDE, axis=1)
    middle = np.median(groups, axis=-1)
    step = middle[:, BESIDE:] - middle[:, :-BESIDE]  # between beats i + 4 and i + 5
    change = np.diff(level, axis=1)
    sudden = level[:, 2:] - level[:, :-2]
    spread = 1.4826 * np.median(np.abs(change - np.median(change, axis=1, keepdims=True)), axis=1)
    for index in range(len(level)):
        least = max(JUMP_SHARE * abs(float(np.median(level[index]))), JUMP_ML, JUMP_SPREADS * float(spread[index]))
        others = np.abs(np.delete(step, index, axis=0)).max(axis=0)
        size = np.where(others < SHARED * np.abs(step[index]), np.abs(step[index]), 0.0)
        while size.size and (at := int(size.argmax())) >= 0 and size[at] > least:
            # a drift takes longer than the beat that the jump falls into
            if np.abs(sudden[index, max(at + BESIDE - 3, 0) : at + BESIDE + 1]).max() > 0.75 * size[at]:
                notes.append(_jump_note(index, float(step[index, at]), whole[at + BESIDE], level, mark_s, windows))
            size[max(at - BESIDE, 0) : at + BESIDE + 1] = 0.0
    return notes


def _jump_note(
    index: int,
    size: float,
    beat: int,
    level: FloatArray,
    mark_s: FloatArray,
    windows: Sequence[EpochWindow],
) -> QualityNote:
    at_s = float(mark_s[beat])
    held = [w.label for w in windows if w.start_s < at_s - 1 and w.end_s > at_s + 1]
    after = [w.label for w in windows if w.start_s >= at_s - 1]
    percent = 100 * abs(size) / float(np.median(level.sum(axis=0)))
    text = (
        f"Segment {index + 1} jumped by {size:+.0f} mL at {at_s:.0f} s and its neighbours did not: its electrode, "
        f"not the heart. EDV, ESV and ejection fraction differ by about {percent:.0f} % before and after; stroke "
        "volume holds in beats that the jump is not in. Compare epochs on one side of it only, or calibrate again."
    )
    bound = {"ef_percent": round(percent, 1)}
    inside = held[0] if held else None
    return QualityNote("segment_jump", text, f"V_{index + 1}", inside, "warning", tuple(held + after), bound)


def _order_notes(beats: SegmentBeats) -> list[QualityNote]:
    """Whether the segments taper towards the first, as towards the apex; their order moves no metric that is ranked."""
    level = np.nanmedian(beats.level, axis=1)
    if not (level > 0).all():
        return []
    half = level.size // 2
    lean = float(level[:half].sum() / level[-half:].sum())
    if lean > ORDER_LEAN and not (level[0] == level.max() and level[0] > 1.5 * level[-1]):  # else said already
        text = (
            "The segments taper towards the last one, as they should towards the apex, which is the first: check that "
            "they are not in reversed order. Totals and dyssynchrony do not depend on it; pictures by segment do."
        )
        return [QualityNote("segment_order", text, "V_1")]
    if lean > 1 / ORDER_LEAN:
        text = (
            "Whether the segments run from apex to base cannot be told from their volumes. Totals and dyssynchrony do "
            "not depend on it; pictures by segment do."
        )
        return [QualityNote("segment_order_not_told", text, severity="info")]
    return []
