"""The whole way from signals to epoch statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from procedures.metrics import BY_KEY

from . import dyssynchrony, quality, refusal, respiration
from .cycles import LONGEST_CYCLE_S, Cycles, build_cycles
from .epoch_statistics import summarise
from .filters import COARSE_MS, derivative_ladder, differentiator, low_pass, mains_line, remove_line
from .loop_metrics import PressureTraces, pressure_metrics, volume_metrics
from .results import Analysis, BeatTable, EpochSummary, QualityNote
from .rwaves import find_r_waves
from .settings import Settings
from .signals import EpochWindow, FloatArray, PressureVolumeSignals
from .upstrokes import find_upstrokes
from .windows import IntArray

ALGORITHM_VERSION = "1.0.0"

VOLUME_KEYS = (
    "edv_ml",
    "esv_ml",
    "sv_ml",
    "ef_percent",
    "stroke_work_mmhg_ml",
    "ea_mmhg_per_ml",
    "cycle_efficiency",
)
SEGMENT_KEYS = ("dyssynchrony_percent", "internal_flow_percent", "dispersion_ms")
# Out of the hard range these make the beat unusable; any other metric is then only left out of that beat.
VITAL_KEYS = ("p_max_mmhg", "edp_mmhg", "dpdt_max_mmhg_per_s", "dpdt_min_mmhg_per_s")


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
    settings = settings or Settings()
    windows, counted = _epoch_windows(signals, epochs)
    notes = _signal_notes(signals)
    traces, more = _pressure_traces(signals, settings)
    notes += more
    cycles, more = _cycles(signals, traces, settings)
    notes += more
    rate = signals.sample_rate_hz
    mark_s, next_s = signals.start_s + cycles.mark / rate, signals.start_s + cycles.next_mark / rate
    epoch = _epoch_of(mark_s, next_s, windows)
    metrics, minimum = pressure_metrics(traces, cycles, settings, rate)
    locator_hz = settings.locator_bandwidth_hz * max(
        1.0, float(np.median(metrics["heart_rate_per_min"])) / 60 if cycles.count else 1.0
    )
    total = signals.total_ml
    if total is not None and cycles.count:
        filled = quality.bridge(total)
        metrics |= volume_metrics(traces, traces.smooth, filled, cycles, minimum, settings, rate, locator_hz)
    elif cycles.count:
        metrics["esp_mmhg"] = traces.smooth[minimum]
    with np.errstate(divide="ignore", invalid="ignore"):
        if "sv_ml" in metrics:
            metrics["ea_mmhg_per_ml"] = metrics["esp_mmhg"] / metrics["sv_ml"]
            box = (metrics["p_max_mmhg"] - metrics["p_min_mmhg"]) * metrics["sv_ml"]
            metrics["cycle_efficiency"] = metrics["stroke_work_mmhg_ml"] / box
    refused = refusal.refused_column(cycles.count)
    group = refusal.runs(epoch)
    _refuse(refused, _unfit(signals, cycles, traces, settings))
    too_long = next_s - mark_s > LONGEST_CYCLE_S
    _refuse(refused, {"incomplete": too_long})
    ectopic, outlier, irregular = refusal.ectopic_beats(mark_s, next_s, metrics, group, settings)
    if irregular.mean() > 0.5 if irregular.size else False:
        text = "The rhythm is irregular throughout (atrial fibrillation?); prematurity was not judged."
        notes.append(QualityNote("irregular_rhythm", text))
    settling = refusal.settling_beats(mark_s, epoch, np.array([w.start_s for w in windows]), counted, settings)
    _refuse(
        refused,
        {
            "ectopic": ectopic,
            "post_ectopic": refusal.after(ectopic, settings.post_ectopic_beats),
            "settling": settling,
            "outlier": outlier,
        },
    )
    next_ectopic = np.concatenate((ectopic[1:], [False])) if ectopic.size else ectopic
    metrics["heart_rate_per_min"] = np.where(next_ectopic, np.nan, metrics["heart_rate_per_min"])
    notes += _limit(metrics, refused)
    notes += _apply_overrides(refused, mark_s, overrides or {})
    if signals.segments_ml is not None and cycles.count:
        filled_rows = np.stack([quality.bridge(row) for row in signals.segments_ml])
        reduced = dyssynchrony.reduce_segments(filled_rows, settings, rate)
        alone = np.where(refused == "", group, -1)
        metrics |= dyssynchrony.dyssynchrony_metrics(reduced, cycles, minimum, alone, settings, rate)
    notes += _trim_breaths(signals, refused, mark_s, next_s, epoch, metrics, windows, settings)
    _apply_overrides(refused, mark_s, overrides or {})
    metrics = {key: metrics[key] for key in BY_KEY if key in metrics}
    notes += _missing_notes(signals, cycles, metrics)
    beats = BeatTable(mark_s, next_s, epoch, refused, metrics)
    summaries = tuple(_summary(beats, index, window) for index, window in enumerate(windows))
    for summary in summaries:
        if summary.beats_used == 0:
            notes.append(
                QualityNote("no_beats", "No usable beat in this epoch.", epoch=summary.label, severity="error")
            )
    return Analysis(ALGORITHM_VERSION, settings, beats, summaries, tuple(notes))


def _epoch_windows(
    signals: PressureVolumeSignals, epochs: Sequence[EpochWindow]
) -> tuple[list[EpochWindow], NDArray[np.bool_]]:
    """Epochs in order of time, and for which of them settling beats count.

    Settling counts for an epoch that begins inside the recording: what came before was another pacing state. It
    does not for the whole record taken as one epoch or an epoch that begins with the recording.
    """
    end_s = signals.start_s + signals.duration_s
    if not epochs:
        return [EpochWindow("all", signals.start_s, max(end_s, signals.start_s + 1e-9))], np.zeros(1, dtype=bool)
    ordered = sorted(epochs, key=lambda window: window.start_s)
    for first, second in zip(ordered, ordered[1:], strict=False):
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


def _signal_notes(signals: PressureVolumeSignals) -> list[QualityNote]:
    rate = signals.sample_rate_hz
    notes = quality.channel_notes("P_LV", signals.pressure_mmhg, rate)
    if signals.segments_ml is not None:
        for index, row in enumerate(signals.segments_ml):
            notes += quality.channel_notes(f"V_{index + 1}", row, rate)
    elif signals.volume_ml is not None:
        notes += quality.channel_notes("V_LV", signals.volume_ml, rate)
    return notes + quality.unit_notes(signals) + quality.segment_notes(signals)


def _pressure_traces(signals: PressureVolumeSignals, settings: Settings) -> tuple[PressureTraces, list[QualityNote]]:
    rate = signals.sample_rate_hz
    pressure = quality.bridge(signals.pressure_mmhg)
    notes = []
    line = mains_line(pressure, rate, settings.mains_hz)
    if line is not None:
        pressure = remove_line(pressure, line, rate)
        notes.append(QualityNote("mains", f"A mains line at {line:.1f} Hz was removed.", "P_LV", severity="info"))
    coarse_filter = differentiator(COARSE_MS, rate)
    coarse = coarse_filter(pressure)
    ladder = derivative_ladder(rate, settings.derivative_bandwidth_floor_hz)
    length = int(min(pressure.size, 60 * rate))
    first = (pressure.size - length) // 2
    part = slice(first, first + length)
    typical = float(np.percentile(coarse[part], 99.5)) if length else 0.0
    wanted = settings.derivative_bandwidth_hz
    if wanted is not None:
        chosen = min(ladder, key=lambda rung: abs(rung.bandwidth_hz - wanted))
    noise = 0.0
    for rung in ladder if wanted is None else [chosen]:
        difference = rung(pressure[part]) - coarse[part]
        noise = 1.4826 * float(np.median(np.abs(difference))) if length else 0.0
        chosen = rung
        if noise <= settings.derivative_noise_percent / 100 * typical:
            break
    text = f"dP/dt by a filter of {chosen.bandwidth_hz:.0f} Hz bandwidth; its noise is {noise:.1f} mmHg/s (SD)."
    notes.append(QualityNote("derivative_filter", text, "P_LV", severity="info"))
    smooth = low_pass(pressure, settings.pressure_bandwidth_hz, rate)
    locator = low_pass(pressure, 2 * settings.locator_bandwidth_hz, rate)
    return PressureTraces(pressure, smooth, locator, chosen(pressure), coarse, noise, chosen), notes


def _cycles(
    signals: PressureVolumeSignals, traces: PressureTraces, settings: Settings
) -> tuple[Cycles, list[QualityNote]]:
    rate = signals.sample_rate_hz
    upstrokes = find_upstrokes(traces.smooth, rate)
    notes = []
    r_waves = np.empty(0, dtype=np.int64)
    if signals.ecg_mv is not None:
        r_waves = find_r_waves(signals.ecg_mv, rate)
        if r_waves.size == 0:
            notes.append(QualityNote("no_r_waves", "No R wave was found; beats come from the pressure.", "ECG"))
    else:
        text = "No ECG: beats were found by the upstroke of the pressure."
        notes.append(QualityNote("no_ecg", text, severity="info"))
    cycles = build_cycles(traces.slope, traces.coarse_slope, upstrokes, r_waves, settings.onset_fraction, rate)
    return cycles, notes


def _refuse(refused: NDArray[np.str_], reasons: Mapping[str, NDArray[np.bool_]]) -> None:
    """Write each reason where none stands yet, in order."""
    for reason, flags in reasons.items():
        refused[flags & (refused == "")] = reason


def _unfit(
    signals: PressureVolumeSignals, cycles: Cycles, traces: PressureTraces, settings: Settings
) -> dict[str, NDArray[np.bool_]]:
    """Beats with lost signal or much noise."""
    rate, n = signals.sample_rate_hz, cycles.count
    lost: NDArray[np.bool_] = np.zeros(n, dtype=bool)
    channels = [signals.pressure_mmhg]
    if (total := signals.total_ml) is not None:
        channels.append(total)
    longest = settings.lost_signal_ms * rate / 1000
    for channel in channels:
        starts, stops = quality.missing_runs(channel)
        long = stops - starts > longest
        flat = quality.flat_mask(channel, rate)
        edge = np.flatnonzero(np.diff(np.concatenate(([0], flat.astype(np.int8), [0]))))
        starts, stops = np.concatenate((starts[long], edge[::2])), np.concatenate((stops[long], edge[1::2]))
        order = np.argsort(stops)
        starts, stops = starts[order], stops[order]
        if stops.size:
            place = np.searchsorted(stops, cycles.onset, side="right")
            lost |= (place < stops.size) & (starts[np.minimum(place, stops.size - 1)] < cycles.next_onset)
    start, stop = cycles.onset.astype(np.int64), cycles.next_onset.astype(np.int64)
    residual = np.concatenate(([0.0], np.cumsum((quality.bridge(signals.pressure_mmhg) - traces.smooth) ** 2)))
    rms = np.sqrt((residual[stop] - residual[start]) / np.maximum(stop - start, 1))
    typical = float(np.median(rms)) if n else 0.0
    noisy = (rms > settings.noise_ratio * typical) & (rms > 1.0)
    return {"signal_lost": lost, "noisy": noisy}


def _limit(metrics: dict[str, FloatArray], refused: NDArray[np.str_]) -> list[QualityNote]:
    """Refuse beats with an impossible pressure; leave other impossible values out."""
    notes = []
    for key, column in metrics.items():
        limit = BY_KEY[key]
        outside = (column < limit.hard_low) | (column > limit.hard_high)
        if key in VITAL_KEYS:
            _refuse(refused, {"out_of_range": outside | ~np.isfinite(column)})
            continue
        metrics[key] = np.where(outside, np.nan, column)
        dropped = int((outside & (refused == "")).sum())
        if dropped:
            text = (
                f"{limit.label} lay outside {limit.hard_low:g} to {limit.hard_high:g} {limit.unit} "
                f"in {dropped} of {column.size} beats and was left out there."
            )
            notes.append(QualityNote("out_of_range", text, channel=key))
    return notes


def _apply_overrides(
    refused: NDArray[np.str_], mark_s: FloatArray, overrides: Mapping[float, bool]
) -> list[QualityNote]:
    notes = []
    for time_s, use in overrides.items():
        nearest = int(np.abs(mark_s - time_s).argmin()) if mark_s.size else -1
        if nearest < 0 or abs(mark_s[nearest] - time_s) > 0.1:
            text = f"No beat at {time_s:.2f} s, so the choice made for it by hand has no effect."
            notes.append(QualityNote("override_unmatched", text))
            continue
        refused[nearest] = "" if use else "by_hand"
    return notes


def _trim_breaths(
    signals: PressureVolumeSignals,
    refused: NDArray[np.str_],
    mark_s: FloatArray,
    next_s: FloatArray,
    epoch: IntArray,
    metrics: Mapping[str, FloatArray],
    windows: Sequence[EpochWindow],
    settings: Settings,
) -> list[QualityNote]:
    if not settings.whole_breaths or mark_s.size == 0:
        return []
    breathing = None
    if signals.respiration is not None:
        breathing = respiration.from_channel(signals.respiration, signals.sample_rate_hz)
    if breathing is None:
        seen = ("edv_ml", "p_max_mmhg", "p_min_mmhg")
        values = [np.where(refused == "", metrics[key], np.nan) for key in seen if key in metrics]
        breathing = respiration.from_beats(mark_s, values)
    if breathing is None:
        text = "Breathing could not be identified; epochs were not cut to whole breaths."
        return [QualityNote("no_breathing", text, severity="info")]
    text = f"Breathing {60 / breathing.period_s:.1f}/min (from the {breathing.source}); epochs cut to whole breaths."
    notes = [QualityNote("breathing", text, severity="info")]
    for index, window in enumerate(windows):
        members = np.flatnonzero((epoch == index) & (refused == ""))
        if members.size == 0:
            continue
        long_enough, keep = respiration.whole_breaths(
            mark_s[members], next_s[members], breathing.period_s, settings.minimum_breaths
        )
        if not long_enough:
            text = f"Shorter than {settings.minimum_breaths:g} breaths: not cut, and breathing may shift its means."
            notes.append(QualityNote("few_breaths", text, epoch=window.label))
        refused[members[~np.asarray(keep, dtype=bool)]] = "partial_breath"
    return notes


def _missing_notes(
    signals: PressureVolumeSignals, cycles: Cycles, metrics: Mapping[str, FloatArray]
) -> list[QualityNote]:
    """Why any metric of the catalogue is absent."""
    notes = []
    if cycles.count == 0:
        text = "No complete beat was found in the pressure, so there is no metric at all."
        return [QualityNote("no_beats", text, "P_LV", severity="error")]
    if signals.total_ml is None:
        text = "No volume channel: " + ", ".join(VOLUME_KEYS) + " cannot be computed; ESP is read at dP/dtmin."
        notes.append(QualityNote("no_volume", text))
    if signals.segments_ml is None:
        text = "No segmental volumes: " + ", ".join(SEGMENT_KEYS) + " cannot be computed."
        notes.append(QualityNote("no_segments", text))
    for key, column in metrics.items():
        if not np.isfinite(column).any():
            notes.append(QualityNote("metric_missing", f"{BY_KEY[key].label} could not be computed in any beat.", key))
    return notes


def _summary(beats: BeatTable, index: int, window: EpochWindow) -> EpochSummary:
    used = beats.used(index)
    reasons, counts = np.unique(beats.refused[(beats.epoch == index) & (beats.refused != "")], return_counts=True)
    summaries = {key: summarise(column[used]) for key, column in beats.metrics.items()}
    return EpochSummary(
        window.label,
        window.start_s,
        window.end_s,
        int(used.sum()),
        {str(reason): int(count) for reason, count in zip(reasons, counts, strict=True)},
        {key: value for key, value in summaries.items() if value is not None},
    )


def loops(
    signals: PressureVolumeSignals, analysis: Analysis, epoch_index: int, points: int = 101
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Average loop of the used beats of one epoch, on cycle phase, for drawing.

    Returns
    -------
    volume, pressure, segments
        Shapes (points,), (points,) and (k, points) or ``None``; phase 0 and 1 are the beat's start and the next
        one's. Empty arrays when the epoch has no used beat or the recording no volume (pressure is still given).
    """
    from .windows import interpolate

    beats, rate = analysis.beats, signals.sample_rate_hz
    used = beats.used(epoch_index)
    start = (beats.time_s[used] - signals.start_s) * rate
    stop = (beats.end_s[used] - signals.start_s) * rate
    if start.size == 0:
        return np.empty(0), np.empty(0), None
    at = start[:, None] + (stop - start)[:, None] * np.linspace(0, 1, points)
    pressure = interpolate(quality.bridge(signals.pressure_mmhg), at).mean(axis=0)
    segments = None
    if signals.segments_ml is not None:
        segments = np.stack([interpolate(quality.bridge(row), at).mean(axis=0) for row in signals.segments_ml])
    total = segments.sum(axis=0) if segments is not None else None
    if total is None and signals.volume_ml is not None:
        total = interpolate(quality.bridge(signals.volume_ml), at).mean(axis=0)
    return (np.empty(0) if total is None else total), pressure, segments


__all__ = ["ALGORITHM_VERSION", "analyse", "loops"]
