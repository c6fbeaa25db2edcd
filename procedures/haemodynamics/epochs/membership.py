"""Epochs: which beats they hold, whole breaths, and their statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from procedures.metrics import BY_KEY

from ..results import BeatTable, EpochRhythm, EpochSummary, QualityNote
from ..settings import Settings
from ..signals import EpochWindow, FloatArray, SignalSource
from ..windows import IntArray
from .breathing import _from_beats, _from_channel, _whole_breaths
from .statistics import _summarise

# Amplitude below which a swing from beat to beat is not taken for breathing (project choice).
SMALLEST_SWING, SMALLEST_SWING_MMHG = 0.004, 0.3


def _epoch_windows(signals: SignalSource, epochs: Sequence[EpochWindow]) -> tuple[list[EpochWindow], NDArray[np.bool_]]:
    """Epochs in order of time, and for which of them settling beats count.

    Settling counts for an epoch that begins inside the recording: what came before was another pacing state. It
    does not for the whole record taken as one epoch or an epoch that begins with the recording.
    """
    end_s = signals.start_s + signals.size / signals.sample_rate_hz
    if not epochs:
        return [EpochWindow("all", signals.start_s, max(end_s, signals.start_s + 1e-9))], np.zeros(1, dtype=bool)
    ordered = sorted(epochs, key=lambda window: window.start_s)
    for first, second in pairwise(ordered):
        if second.start_s < first.end_s - 1e-6:
            raise ValueError(f"Epochs {first.label!r} and {second.label!r} overlap at {second.start_s:g} s.")
    for window in ordered:
        if window.start_s >= end_s or window.end_s <= signals.start_s:
            raise ValueError(
                f"Epoch {window.label!r} ({window.start_s:g} to {window.end_s:g} s) lies outside the recording "
                f"({signals.start_s:g} to {end_s:g} s)."
            )
    return list(ordered), np.array([window.start_s > signals.start_s + 0.5 for window in ordered])


def _epoch_of(mark_s: FloatArray, next_s: FloatArray, windows: Sequence[EpochWindow]) -> IntArray:
    """Epoch that holds the whole of each beat, −1 where none does (a beat across a border belongs to none)."""
    starts, ends = np.array([w.start_s for w in windows]), np.array([w.end_s for w in windows])
    place = np.searchsorted(starts, mark_s + 1e-9, side="right") - 1
    inside = (place >= 0) & (next_s <= ends[np.maximum(place, 0)] + 1e-9)
    return np.where(inside, place, -1).astype(np.int64)


def _trim_breaths(
    channel: tuple[FloatArray, FloatArray] | None,
    refused: NDArray[Any],
    mark_s: FloatArray,
    next_s: FloatArray,
    epoch: IntArray,
    metrics: Mapping[str, FloatArray],
    windows: Sequence[EpochWindow],
    settings: Settings,
) -> list[QualityNote]:
    """Refuse the beats of each epoch that go beyond a whole number of breaths, and say so.

    ``channel``: times, s, and values of a breathing channel, thinned out, or ``None``.
    """
    if not settings.whole_breaths or mark_s.size == 0:
        return []
    breathing = None
    if channel is not None:
        breathing = _from_channel(*channel)
    if breathing is None:
        seen = [key for key in ("edv_ml", "p_max_mmhg", "p_min_mmhg") if key in metrics]
        values = [np.where(refused == "", metrics[key], np.nan) for key in seen]
        smallest = [SMALLEST_SWING_MMHG if key == "p_min_mmhg" else _share_of_typical(metrics[key]) for key in seen]
        breathing = _from_beats(mark_s, values, smallest)
    if breathing is None:
        text = "Breathing could not be identified; epochs were not cut to whole breaths."
        return [QualityNote("no_breathing", text, severity="info")]
    text = f"Breathing {60 / breathing.period_s:.1f}/min (from the {breathing.source}); epochs cut to whole breaths."
    notes = [QualityNote("breathing", text, severity="info")]
    for index, window in enumerate(windows):
        members = np.flatnonzero((epoch == index) & (refused == ""))
        if members.size == 0:
            continue
        long_enough, keep = _whole_breaths(
            mark_s[members], next_s[members], breathing.period_s, settings.minimum_breaths
        )
        if not long_enough:
            text = f"Shorter than {settings.minimum_breaths:g} breaths: not cut, and breathing may shift its means."
            notes.append(QualityNote("few_breaths", text, epoch=window.label))
        refused[members[~np.asarray(keep, dtype=bool)]] = "partial_breath"
    return notes


def _share_of_typical(column: FloatArray) -> float:
    known = column[np.isfinite(column)]
    return SMALLEST_SWING * abs(float(np.median(known))) if known.size else 0.0


def _epoch_summary(beats: BeatTable, index: int, window: EpochWindow, rhythm: EpochRhythm) -> EpochSummary:
    used = beats.used(index)
    reasons, counts = np.unique(beats.refused[(beats.epoch == index) & (beats.refused != "")], return_counts=True)
    summaries = {key: _summarise(column[used]) for key, column in beats.metrics.items()}
    return EpochSummary(
        window.label,
        window.start_s,
        window.end_s,
        int(used.sum()),
        {str(reason): int(count) for reason, count in zip(reasons, counts, strict=True)},
        {key: value for key, value in summaries.items() if value is not None},
        rhythm,
    )


def _gap_notes(summaries: Sequence[EpochSummary], metrics: Mapping[str, FloatArray]) -> list[QualityNote]:
    """Epochs without usable beats, and metrics that one epoch lacks although the recording has them."""
    notes = []
    for summary_ in summaries:
        if summary_.beats_used == 0:
            text = "No usable beat in this epoch."
            notes.append(QualityNote("no_beats", text, epoch=summary_.label, severity="error"))
            continue
        for key, column in metrics.items():
            if key not in summary_.metrics and np.isfinite(column).any():
                text = f"{BY_KEY[key].label} could not be computed in any used beat of this epoch."
                notes.append(QualityNote("metric_missing", text, key, summary_.label))
    return notes
