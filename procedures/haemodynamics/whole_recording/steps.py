"""The whole way from signals to epoch statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from procedures.metrics import BY_KEY

from ..beat_metrics.dyssynchrony import SegmentMotion, dyssynchrony_metrics
from ..beats.cycles import LONGEST_CYCLE_S
from ..channels import plausibility
from ..channels.stretches import PART_S
from ..epochs import membership
from ..refusal import hard_range, reasons, rhythm, signal_loss
from ..results import Analysis, BeatTable
from ..settings import Settings
from ..signals import EpochWindow, SignalSource
from .absent import missing_notes
from .parts import Progress, measure
from .segment_motion import recording_motion

ALGORITHM_VERSION = "1.1.1"
MEASURING_SHARE = 0.75


def analyse(
    signals: SignalSource,
    epochs: Sequence[EpochWindow] = (),
    settings: Settings | None = None,
    overrides: Mapping[float, bool] | None = None,
    progress: Progress | None = None,
    part_s: float = PART_S,
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
    part_s
        Length of the parts that are held at a time, s.

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
    windows, settling_counts = membership.epoch_windows(signals, epochs)
    measured = measure(signals, settings, part_s, lambda share: tell(MEASURING_SHARE * share))
    cycles, metrics, notes = measured.cycles, measured.metrics, measured.notes
    mark_s, next_s = signals.start_s + cycles.mark / rate, signals.start_s + cycles.next_mark / rate
    epoch = membership.epoch_of(mark_s, next_s, windows)
    group = rhythm.runs(epoch)

    refused = reasons.refused_column(cycles.count)
    reasons.refuse(refused, {"signal_lost": measured.lost, "noisy": signal_loss.noisy(measured.residual, settings)})
    reasons.refuse(refused, {"incomplete": next_s - mark_s > LONGEST_CYCLE_S})
    verdict = rhythm.judge_rhythm(mark_s, next_s, metrics, group, settings)
    starts_s = np.array([window.start_s for window in windows])
    settling = reasons.settling_beats(mark_s, epoch, starts_s, settling_counts, settings)
    reasons.refuse(
        refused,
        {
            "ectopic": verdict.ectopic,
            "post_ectopic": reasons.after(verdict.ectopic, settings.post_ectopic_beats),
            "settling": settling,
            "outlier": verdict.outlier,
        },
    )
    notes += rhythm.rhythm_notes(verdict, epoch, windows)
    # The cycle cut short by an ectopic beat says nothing about heart rate; its other metrics stand.
    cut_short = np.concatenate((verdict.ectopic[1:], [False]))[: cycles.count]
    metrics["heart_rate_per_min"] = np.where(cut_short, np.nan, metrics["heart_rate_per_min"])
    notes += hard_range.limit(metrics, refused)
    notes += reasons.apply_overrides(refused, mark_s, overrides)
    notes += plausibility.drift_notes(metrics["p_min_mmhg"], refused == "")
    if signals.segment_count and cycles.count:
        alone = np.where(refused == "", group, -1)
        motion, note = recording_motion(
            signals, measured, alone, settings, lambda share: tell(MEASURING_SHARE + (1 - MEASURING_SHARE) * share)
        )
        notes.append(note)
        metrics |= dyssynchrony_metrics(motion)
    notes += membership.trim_breaths(measured.breathing, refused, mark_s, next_s, epoch, metrics, windows, settings)
    reasons.apply_overrides(refused, mark_s, overrides)  # what was chosen by hand outranks the trimming too

    metrics = {key: metrics[key] for key in BY_KEY if key in metrics}
    notes += missing_notes(signals, cycles, metrics)
    beats = BeatTable(mark_s, next_s, epoch, refused, metrics)
    summaries = tuple(membership.summary(beats, index, window) for index, window in enumerate(windows))
    notes += membership.gap_notes(summaries, metrics)
    return Analysis(ALGORITHM_VERSION, settings, beats, summaries, tuple(notes))


def analyse_segments(signals: SignalSource, analysis: Analysis, part_s: float = PART_S) -> SegmentMotion:
    """Motion of each segment in each beat of an analysis: systolic, diastolic and whole-cycle dyssynchrony, lags.

    Parameters
    ----------
    signals
        The recording that was analysed; NaN marks a missing sample, and gaps are bridged.
    analysis
        What :func:`analyse` gave for it.
    part_s
        Length of the parts that are held at a time, s.

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
    measured = measure(signals, analysis.settings, part_s)
    if measured.cycles.count == 0 or measured.cycles.count != len(analysis.beats):
        raise ValueError("The analysis does not belong to this recording, or has no beat.")
    group = np.where(analysis.beats.refused == "", rhythm.runs(analysis.beats.epoch), -1)
    return recording_motion(signals, measured, group, analysis.settings)[0]
