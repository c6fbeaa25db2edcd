"""The whole way from signals to epoch statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from procedures.metrics import BY_KEY

from ..beat_metrics.dyssynchrony import SegmentMotion, _dyssynchrony_metrics
from ..beats.cycles import LONGEST_CYCLE_S
from ..channels.plausibility import _drift_notes
from ..channels.reference_pressure import _level_notes
from ..channels.segment_past import _segment_past_notes
from ..channels.stretches import STRETCH_S
from ..epochs.membership import _epoch_of, _epoch_summary, _epoch_windows, _gap_notes, _trim_breaths
from ..epochs.preceding_cycles import _at_equal_cycles
from ..epochs.rhythm import _epoch_rhythms, _rhythm_notes
from ..refusal.hard_range import _hold_to_hard_range
from ..refusal.reasons import _apply_overrides, _beats_after, _refuse, _refused_column, _settling_beats
from ..refusal.rhythm import RhythmVerdict, _judge_rhythm, _stretch_numbers
from ..refusal.signal_loss import _noisy_beats
from ..results import Analysis, BeatTable
from ..settings import Settings
from ..signals import EpochWindow, FloatArray, SignalSource
from ..windows import IntArray
from .absent import _missing_notes
from .measured import Progress, _measure
from .segment_motion import _recording_motion

ALGORITHM_VERSION = "1.2.0"
MEASURING_SHARE = 0.75


def analyse(
    signals: SignalSource,
    epochs: Sequence[EpochWindow] = (),
    settings: Settings | None = None,
    overrides: Mapping[float, bool] | None = None,
    progress: Progress | None = None,
    stretch_s: float = STRETCH_S,
) -> Analysis:
    """Beats, metrics and epoch statistics of one recording.

    Parameters
    ----------
    signals
        All channels on one clock, or a source that reads any stretch of them on demand.
    epochs
        Stretches to summarise, which must not overlap; none: the whole record as one epoch ``all``.
    settings
        Every choice made; the defaults when ``None``.
    overrides
        By hand, start of a beat in seconds -> whether it counts; matched to the nearest beat within 0.1 s.
    progress
        Told the share done (0 to 1) from time to time; what it raises ends the analysis.
    stretch_s
        Length of the stretches that are held at a time, s.

    Returns
    -------
    Analysis

    Raises
    ------
    ValueError
        If epochs overlap or lie wholly outside the recording.

    Notes
    -----
    NaN marks a missing sample: gaps up to ``lost_signal_ms`` are bridged, a beat with a longer one is refused. NaN in a
    metric means that the beat does not have it. Each metric's source is in the module that computes it; the order of
    the steps is our own definition.
    """
    settings, overrides = settings or Settings(), overrides or {}
    tell = progress or (lambda share: None)
    rate = signals.sample_rate_hz
    windows, settling_counts = _epoch_windows(signals, epochs)
    measured = _measure(signals, settings, stretch_s, lambda share: tell(MEASURING_SHARE * share))
    cycles, metrics, notes = measured.cycles, measured.metrics, measured.notes
    mark_s, next_s = signals.start_s + cycles.mark / rate, signals.start_s + cycles.next_mark / rate
    epoch = _epoch_of(mark_s, next_s, windows)
    group = _stretch_numbers(epoch)

    refused = _refused_column(cycles.count)
    _refuse(refused, {"signal_lost": measured.lost, "noisy": _noisy_beats(measured.residual, settings)})
    _refuse(refused, {"incomplete": next_s - mark_s > LONGEST_CYCLE_S})
    verdict = _judge_rhythm(
        mark_s, next_s, metrics, group, settings, measured.shapes, measured.hidden, cycles.onset / rate
    )
    starts_s = np.array([window.start_s for window in windows])
    settling = _settling_beats(mark_s, epoch, starts_s, settling_counts, settings)
    _refuse(
        refused,
        {
            "ectopic": verdict.ectopic,
            "post_ectopic": _after_ectopy(verdict, settings),
            "settling": settling,
            "outlier": verdict.outlier,
        },
    )
    # The cycle cut short by an ectopic beat says nothing about heart rate; its other metrics stand.
    cut_short = np.concatenate((verdict.ectopic[1:], [False]))[: cycles.count] | measured.hidden
    metrics["heart_rate_per_min"] = np.where(cut_short, np.nan, metrics["heart_rate_per_min"])
    notes += _hold_to_hard_range(metrics, refused)
    notes += _apply_overrides(refused, mark_s, overrides)
    notes += _drift_notes(metrics["p_min_mmhg"], refused == "")
    notes += _level_notes(measured.thinned, metrics, refused == "", epoch, windows)
    notes += _segment_past_notes(measured.thinned, mark_s, next_s, epoch, windows)
    if signals.segment_count and cycles.count:
        alone = np.where(refused == "", group, -1)
        motion, note = _recording_motion(
            signals, measured, alone, settings, lambda share: tell(MEASURING_SHARE + (1 - MEASURING_SHARE) * share)
        )
        notes.append(note)
        metrics |= _dyssynchrony_metrics(motion)
    notes += _trim_breaths(measured.breathing, refused, mark_s, next_s, epoch, metrics, windows, settings)
    _apply_overrides(refused, mark_s, overrides)  # what was chosen by hand outranks the trimming too
    adjusted = _allow_for_cycles(metrics, verdict, refused, mark_s, epoch, len(windows), settings)
    rhythms = _epoch_rhythms(verdict, measured.hidden, refused, mark_s, next_s, epoch, adjusted, settings)
    notes += _rhythm_notes(rhythms, windows)

    metrics = {key: metrics[key] for key in BY_KEY if key in metrics}
    notes += _missing_notes(signals, cycles, metrics)
    beats = BeatTable(mark_s, next_s, epoch, refused, metrics)
    summaries = tuple(_epoch_summary(beats, i, window, rhythms[i]) for i, window in enumerate(windows))
    notes += _gap_notes(summaries, metrics)
    return Analysis(ALGORITHM_VERSION, settings, beats, summaries, tuple(notes))


def _after_ectopy(verdict: RhythmVerdict, settings: Settings) -> NDArray[np.bool_]:
    """Beats that follow an ectopic one, whether it was seen as a beat or only in the pressure of diastole."""
    after = _beats_after(verdict.ectopic, settings.post_ectopic_beats)
    if settings.post_ectopic_beats == 0:
        return after
    further = _beats_after(verdict.after_hidden, settings.post_ectopic_beats - 1)
    return np.asarray((after | verdict.after_hidden | further) & ~verdict.ectopic)


def _allow_for_cycles(
    metrics: dict[str, FloatArray],
    verdict: RhythmVerdict,
    refused: NDArray[Any],
    mark_s: FloatArray,
    epoch: IntArray,
    count: int,
    settings: Settings,
) -> list[bool]:
    """Bring epochs in an irregular rhythm to equal preceding cycles; for each epoch whether that was done."""
    preceding = np.diff(mark_s, prepend=np.nan)
    done = []
    for index in range(count):
        members = np.flatnonzero((epoch == index) & (refused == ""))
        irregular = members.size > 0 and verdict.irregular[members].mean() > 0.5
        done.append(irregular and _at_equal_cycles(metrics, preceding, members, settings))
    return done


def analyse_segments(signals: SignalSource, analysis: Analysis, stretch_s: float = STRETCH_S) -> SegmentMotion:
    """Motion of each segment in each beat of an analysis: systolic, diastolic and whole-cycle dyssynchrony, lags.

    Parameters
    ----------
    signals
        The recording that was analysed; NaN marks a missing sample, and gaps are bridged.
    analysis
        What :func:`analyse` gave for it.
    stretch_s
        Length of the stretches that are held at a time, s.

    Returns
    -------
    SegmentMotion
        Rows follow those of ``analysis.beats``, columns the segments from apex to base.

    Raises
    ------
    ValueError
        If there are no segments, or the analysis is of other signals or found no beat.

    References
    ----------
    Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (definitions from memory).
    """
    if not signals.segment_count:
        raise ValueError("The recording has no segmental volumes.")
    measured = _measure(signals, analysis.settings, stretch_s)
    if measured.cycles.count == 0 or measured.cycles.count != len(analysis.beats):
        raise ValueError("The analysis does not belong to this recording, or has no beat.")
    group = np.where(analysis.beats.refused == "", _stretch_numbers(analysis.beats.epoch), -1)
    return _recording_motion(signals, measured, group, analysis.settings)[0]
