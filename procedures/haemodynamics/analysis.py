"""The whole way from signals to epoch statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from procedures.metrics import BY_KEY

from . import epochs as epoch_work
from . import fitness, quality, refusal
from .conditioning import find_cycles, pressure_traces
from .cycles import LONGEST_CYCLE_S, Cycles
from .dyssynchrony import SegmentMotion, dyssynchrony_metrics, segment_motion
from .loop_metrics import PressureTraces, pressure_metrics, volume_metrics
from .results import Analysis, BeatTable
from .segments import filter_note, reduce_segments
from .settings import Settings
from .signals import EpochWindow, FloatArray, PressureVolumeSignals
from .windows import IntArray

ALGORITHM_VERSION = "1.0.1"


def analyse(
    signals: PressureVolumeSignals,
    epochs: Sequence[EpochWindow] = (),
    settings: Settings | None = None,
    overrides: Mapping[float, bool] | None = None,
) -> Analysis:
    """Beats, metrics and epoch statistics of one recording.

    Parameters
    ----------
    signals
        All channels on one clock.
    epochs
        Stretches to summarise, which must not overlap; none: the whole record as one epoch ``all``.
    settings
        Every choice made; the defaults when ``None``.
    overrides
        By hand, start of a beat in seconds -> whether it counts; matched to the nearest beat within 0.1 s.

    Returns
    -------
    Analysis

    Raises
    ------
    ValueError
        If epochs overlap or lie wholly outside the recording.
    """
    settings, overrides = settings or Settings(), overrides or {}
    rate = signals.sample_rate_hz
    windows, settling_counts = epoch_work.epoch_windows(signals, epochs)
    traces, trace_notes = pressure_traces(signals, settings)
    cycles, cycle_notes = find_cycles(signals, traces, settings)
    notes = [*quality.signal_notes(signals), *trace_notes, *cycle_notes]
    mark_s, next_s = signals.start_s + cycles.mark / rate, signals.start_s + cycles.next_mark / rate
    epoch = epoch_work.epoch_of(mark_s, next_s, windows)
    group = refusal.runs(epoch)
    metrics, minimum = _pressure_and_volume(signals, traces, cycles, settings)

    refused = refusal.refused_column(cycles.count)
    fitness.refuse(refused, fitness.unfit(signals, cycles, traces, settings))
    fitness.refuse(refused, {"incomplete": next_s - mark_s > LONGEST_CYCLE_S})
    verdict = refusal.judge_rhythm(mark_s, next_s, metrics, group, settings)
    starts_s = np.array([window.start_s for window in windows])
    settling = refusal.settling_beats(mark_s, epoch, starts_s, settling_counts, settings)
    fitness.refuse(
        refused,
        {
            "ectopic": verdict.ectopic,
            "post_ectopic": refusal.after(verdict.ectopic, settings.post_ectopic_beats),
            "settling": settling,
            "outlier": verdict.outlier,
        },
    )
    notes += refusal.rhythm_notes(verdict, epoch, windows)
    # The cycle cut short by an ectopic beat says nothing about heart rate; its other metrics stand.
    cut_short = np.concatenate((verdict.ectopic[1:], [False]))[: cycles.count]
    metrics["heart_rate_per_min"] = np.where(cut_short, np.nan, metrics["heart_rate_per_min"])
    notes += fitness.limit(metrics, refused)
    notes += fitness.apply_overrides(refused, mark_s, overrides)
    notes += quality.drift_notes(metrics["p_min_mmhg"], refused == "")
    if signals.segments_ml is not None and cycles.count:
        segments = reduce_segments(_bridged_segments(signals), settings, rate)
        notes.append(filter_note(segments, settings))
        motion = segment_motion(segments, cycles, minimum, np.where(refused == "", group, -1), settings, rate)
        metrics |= dyssynchrony_metrics(motion)
    notes += epoch_work.trim_breaths(signals, refused, mark_s, next_s, epoch, metrics, windows, settings)
    fitness.apply_overrides(refused, mark_s, overrides)  # what was chosen by hand outranks the trimming too

    metrics = {key: metrics[key] for key in BY_KEY if key in metrics}
    notes += fitness.missing_notes(signals, cycles, metrics)
    beats = BeatTable(mark_s, next_s, epoch, refused, metrics)
    summaries = tuple(epoch_work.summary(beats, index, window) for index, window in enumerate(windows))
    notes += epoch_work.gap_notes(summaries, metrics)
    return Analysis(ALGORITHM_VERSION, settings, beats, summaries, tuple(notes))


def analyse_segments(signals: PressureVolumeSignals, analysis: Analysis) -> SegmentMotion:
    """Motion of each segment in each beat of an analysis: systolic, diastolic and whole-cycle dyssynchrony, lags.

    Columns follow the rows of ``analysis.beats``.

    Raises
    ------
    ValueError
        If there are no segments, or the analysis is of other signals or found no beat.
    """
    if signals.segments_ml is None:
        raise ValueError("The recording has no segmental volumes.")
    settings, rate = analysis.settings, signals.sample_rate_hz
    traces, _ = pressure_traces(signals, settings)
    cycles, _ = find_cycles(signals, traces, settings)
    if cycles.count == 0 or cycles.count != len(analysis.beats):
        raise ValueError("The analysis does not belong to this recording, or has no beat.")
    _, minimum = pressure_metrics(traces, cycles, settings, rate)
    group = np.where(analysis.beats.refused == "", refusal.runs(analysis.beats.epoch), -1)
    segments = reduce_segments(_bridged_segments(signals), settings, rate)
    return segment_motion(segments, cycles, minimum, group, settings, rate)


def _bridged_segments(signals: PressureVolumeSignals) -> FloatArray:
    assert signals.segments_ml is not None  # noqa: S101 - for the type checker; callers have asked
    if np.isfinite(signals.segments_ml).all():
        return signals.segments_ml  # no copy of what may be most of the recording
    return np.stack([quality.bridge(row) for row in signals.segments_ml])


def _pressure_and_volume(
    signals: PressureVolumeSignals, traces: PressureTraces, cycles: Cycles, settings: Settings
) -> tuple[dict[str, FloatArray], IntArray]:
    """Metrics of every beat that need no segments, and the samples of dP/dtmin."""
    rate = signals.sample_rate_hz
    metrics, minimum = pressure_metrics(traces, cycles, settings, rate)
    total = signals.total_ml
    if total is None or cycles.count == 0:
        return metrics | {"esp_mmhg": np.asarray(traces.smooth[minimum])}, minimum
    pace = max(1.0, float(np.median(metrics["heart_rate_per_min"])) / 60)
    metrics |= volume_metrics(traces, quality.bridge(total), cycles, minimum, settings, rate, pace)
    with np.errstate(divide="ignore", invalid="ignore"):
        metrics["ea_mmhg_per_ml"] = metrics["esp_mmhg"] / metrics["sv_ml"]
        box = (metrics["p_max_mmhg"] - metrics["p_min_mmhg"]) * metrics["sv_ml"]
        metrics["cycle_efficiency"] = metrics["stroke_work_mmhg_ml"] / box
    return metrics, minimum
