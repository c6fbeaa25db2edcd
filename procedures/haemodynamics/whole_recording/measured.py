"""Every beat of a recording measured, stretch by stretch, so that memory does not grow with its length.

Each stretch is read with a margin, under which filters and thresholds have settled where its own beats begin; a beat
belongs to the stretch in which it starts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..beat_metrics.loop import _pressure_metrics, _volume_metrics
from ..beats.cycles import Cycles, _find_cycles
from ..beats.qrs_shape import _qrs_shapes
from ..channels.checks import RecordingChecks, Thinned
from ..channels.gaps import _bridge
from ..channels.stretches import STRETCH_S, _stretches, _survey_stretch
from ..channels.timing_jitter import _timing_notes
from ..conditioning.filters import _remove_line
from ..conditioning.pressure import Conditioning, _pressure_traces
from ..refusal.hidden_beats import _hidden_contractions
from ..refusal.signal_loss import _fast_residual, _lost_signal
from ..results import QualityNote
from ..settings import Settings
from ..signals import FloatArray, PressureVolumeSignals, SignalSource
from ..windows import IntArray
from .catheter import _ringing_notes
from .survey import _survey

MARGIN_S = 8.0
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Measured:
    """Beats and their metrics before any is judged; samples count from the start of the recording.

    Attributes
    ----------
    minimum
        Sample of dP/dtmin of each beat, shape (n,).
    residual
        Root mean square of what the smoothing took off the pressure in each beat, mmHg, shape (n,).
    shapes
        QRS of each beat, shape (n, points), see :func:`_qrs_shapes`.
    hidden
        Beats in whose diastole the pressure shows a contraction that made no beat, shape (n,).
    breathing
        Times, s, and values of a breathing channel, thinned out, or ``None``.
    volume_line_hz
        Mains line taken out of the volumes, Hz, or ``None``.
    thinned
        Channels of the whole recording at about 50 Hz, to be held against one another.
    """

    cycles: Cycles
    minimum: IntArray
    metrics: dict[str, FloatArray]
    lost: NDArray[np.bool_]
    residual: FloatArray
    shapes: NDArray[np.float32]
    hidden: NDArray[np.bool_]
    notes: list[QualityNote]
    breathing: tuple[FloatArray, FloatArray] | None
    volume_line_hz: float | None
    thinned: Thinned


@dataclass(frozen=True)
class _Stretch:
    cycles: Cycles
    minimum: IntArray
    metrics: dict[str, FloatArray]
    lost: NDArray[np.bool_]
    residual: FloatArray
    shapes: NDArray[np.float32]
    hidden: NDArray[np.bool_]
    r_waves: bool


def _measure(
    source: SignalSource, settings: Settings, stretch_s: float = STRETCH_S, progress: Progress | None = None
) -> Measured:
    """Measure every beat; ``progress`` is told the share done before each stretch."""
    rate = source.sample_rate_hz
    sample = _survey_stretch(source)
    conditioning, notes = _survey(sample, settings)
    notes += _timing_notes(sample.pressure_mmhg, rate) + _ringing_notes(sample.pressure_mmhg, rate)
    checks, measured, has_ecg = RecordingChecks(rate), [], False
    after, margin = -np.inf, round(MARGIN_S * rate)
    for first, last in _stretches(source.size, rate, stretch_s):
        if progress is not None:
            progress(first / max(source.size, 1))
        low = max(first - margin, 0)
        read = source.stretch(low, min(last + margin, source.size))
        checks.add(read.stretch(first - low, last - low))
        has_ecg = read.ecg_mv is not None
        stretch = _measure_stretch(read, conditioning, settings)
        stretch = _shifted(stretch, low, after, np.inf if last == source.size else last)
        measured.append(stretch)
        if stretch.cycles.count:  # what begins within half a cycle of the last beat kept is that beat again
            after = 0.5 * float(stretch.cycles.mark[-1] + stretch.cycles.next_mark[-1])
    notes = [*checks.notes(), *notes, *_ecg_notes(has_ecg, any(stretch.r_waves for stretch in measured))]
    return Measured(
        Cycles.joined([stretch.cycles for stretch in measured]),
        np.concatenate([stretch.minimum for stretch in measured]),
        {key: np.concatenate([stretch.metrics[key] for stretch in measured]) for key in measured[0].metrics},
        np.concatenate([stretch.lost for stretch in measured]),
        np.concatenate([stretch.residual for stretch in measured]),
        np.concatenate([stretch.shapes for stretch in measured]),
        np.concatenate([stretch.hidden for stretch in measured]),
        notes,
        checks.breathing(),
        conditioning.volume_line_hz,
        checks.thinned(),
    )


def _ecg_notes(has_ecg: bool, r_waves: bool) -> list[QualityNote]:
    if not has_ecg:
        text = "No ECG: beats were found by the upstroke of the pressure."
        return [QualityNote("no_ecg", text, severity="info")]
    if not r_waves:
        return [QualityNote("no_r_waves", "No R wave was found; beats come from the pressure.", "ECG")]
    return []


def _measure_stretch(read: PressureVolumeSignals, conditioning: Conditioning, settings: Settings) -> _Stretch:
    rate = read.sample_rate_hz
    traces = _pressure_traces(read, conditioning, settings)
    cycles, r_waves = _find_cycles(read, traces, settings)
    metrics, minimum = _pressure_metrics(traces, cycles, settings, rate)
    total = read.total_ml
    if total is None:
        metrics["esp_mmhg"] = np.asarray(traces.smooth[minimum])
    else:
        volume = _bridge(total)
        if conditioning.volume_line_hz is not None:
            volume = _remove_line(volume, conditioning.volume_line_hz, rate)
        metrics |= _volume_metrics(traces, volume, cycles, minimum, settings, rate)
        with np.errstate(divide="ignore", invalid="ignore"):
            metrics["ea_mmhg_per_ml"] = metrics["esp_mmhg"] / metrics["sv_ml"]
            box = (metrics["p_max_mmhg"] - metrics["p_min_mmhg"]) * metrics["sv_ml"]
            metrics["cycle_efficiency"] = metrics["stroke_work_mmhg_ml"] / box
    lost = _lost_signal(read, cycles, total, settings)
    residual = _fast_residual(read.pressure_mmhg, traces, cycles)
    shapes = _qrs_shapes(read.ecg_mv, cycles.mark, cycles.has_r, rate)
    hidden = _hidden_contractions(traces.smooth, cycles, minimum, settings, rate)
    return _Stretch(cycles, minimum, metrics, lost, residual, shapes, hidden, r_waves)


def _shifted(stretch: _Stretch, low: int, after: float, before: float) -> _Stretch:
    """The beats that start between two samples of the recording; ``low`` is where the stretch was read from."""
    mark = stretch.cycles.mark + low
    own = (mark > after) & (mark < before)
    return _Stretch(
        stretch.cycles.chosen(own, low),
        stretch.minimum[own] + low,
        {key: column[own] for key, column in stretch.metrics.items()},
        stretch.lost[own],
        stretch.residual[own],
        stretch.shapes[own],
        stretch.hidden[own],
        stretch.r_waves,
    )
