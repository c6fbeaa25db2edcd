"""Beats and values that cannot be trusted: lost or noisy signal, impossible values, choices made by hand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from procedures.metrics import BY_KEY

from . import quality
from .cycles import Cycles
from .loop_metrics import PressureTraces
from .results import QualityNote
from .settings import Settings
from .signals import FloatArray, PressureVolumeSignals, SignalSource

# Out of the hard range these make the beat unusable; any other metric is then only left out of that beat.
VITAL_KEYS = ("p_max_mmhg", "edp_mmhg", "dpdt_max_mmhg_per_s", "dpdt_min_mmhg_per_s")

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


def refuse(refused: NDArray[Any], reasons: Mapping[str, NDArray[np.bool_]]) -> None:
    """Write each reason where none stands yet, in order."""
    for reason, flags in reasons.items():
        refused[flags & (refused == "")] = reason


def lost_signal(
    signals: PressureVolumeSignals, cycles: Cycles, total: FloatArray | None, settings: Settings
) -> NDArray[np.bool_]:
    """Beats with a gap or a stretch without any change in pressure or (total) volume."""
    rate = signals.sample_rate_hz
    lost: NDArray[np.bool_] = np.zeros(cycles.count, dtype=bool)
    channels = [signals.pressure_mmhg, *([] if total is None else [total])]
    longest = settings.lost_signal_ms * rate / 1000
    for channel in channels:
        starts, stops = quality.missing_runs(channel)
        long = stops - starts > longest
        still_starts, still_stops = quality.flat_runs(channel, rate)
        starts, stops = np.concatenate((starts[long], still_starts)), np.concatenate((stops[long], still_stops))
        order = np.argsort(stops)
        starts, stops = starts[order], stops[order]
        if stops.size:
            place = np.searchsorted(stops, cycles.onset, side="right")
            lost |= (place < stops.size) & (starts[np.minimum(place, stops.size - 1)] < cycles.next_onset)
    return lost


def fast_residual(pressure: FloatArray, traces: PressureTraces, cycles: Cycles) -> FloatArray:
    """Root mean square of what the smoothing took off the pressure in each beat, mmHg."""
    start, stop = cycles.onset.astype(np.int64), cycles.next_onset.astype(np.int64)
    residual = quality.bridge(pressure) - traces.smooth
    np.square(residual, out=residual)
    summed = np.concatenate(([0.0], np.cumsum(residual)))
    return np.asarray(np.sqrt(np.maximum(summed[stop] - summed[start], 0.0) / np.maximum(stop - start, 1)))


def noisy(residual: FloatArray, settings: Settings) -> NDArray[np.bool_]:
    """Beats whose fast residual stands far out of the recording's."""
    typical = float(np.median(residual)) if residual.size else 0.0
    return np.asarray((residual > settings.noise_ratio * typical) & (residual > 1.0))


def limit(metrics: dict[str, FloatArray], refused: NDArray[Any]) -> list[QualityNote]:
    """Refuse beats with an impossible pressure; leave other impossible values out."""
    notes = []
    impossible: NDArray[np.bool_] = np.zeros(refused.size, dtype=bool)
    for key, column in metrics.items():
        limit = BY_KEY[key]
        outside = (column < limit.hard_low) | (column > limit.hard_high)
        if key in VITAL_KEYS:
            refuse(refused, {"out_of_range": outside | ~np.isfinite(column)})
            continue
        metrics[key] = np.where(outside, np.nan, column)
        if key in VOLUME_KEYS[:2]:
            impossible |= outside
        dropped = int((outside & (refused == "")).sum())
        if dropped:
            text = (
                f"{limit.label} lay outside {limit.hard_low:g} to {limit.hard_high:g} {limit.unit} "
                f"in {dropped} of {column.size} beats and was left out there."
            )
            notes.append(QualityNote("out_of_range", text, channel=key))
    for key in VOLUME_KEYS:  # an impossible volume takes everything made from it along
        if key in metrics:
            metrics[key] = np.where(impossible, np.nan, metrics[key])
    return notes


def apply_overrides(refused: NDArray[Any], mark_s: FloatArray, overrides: Mapping[float, bool]) -> list[QualityNote]:
    notes = []
    for time_s, use in overrides.items():
        nearest = int(np.abs(mark_s - time_s).argmin()) if mark_s.size else -1
        if nearest < 0 or abs(mark_s[nearest] - time_s) > 0.1:
            text = f"No beat at {time_s:.2f} s, so the choice made for it by hand has no effect."
            notes.append(QualityNote("override_unmatched", text))
            continue
        refused[nearest] = "" if use else "by_hand"
    return notes


def missing_notes(signals: SignalSource, cycles: Cycles, metrics: Mapping[str, FloatArray]) -> list[QualityNote]:
    """Why any metric of the catalogue is absent."""
    notes = []
    if cycles.count == 0:
        text = "No complete beat was found in the pressure, so there is no metric at all."
        return [QualityNote("no_beats", text, "P_LV", severity="error")]
    if not signals.has_volume:
        text = "No volume channel: " + ", ".join(VOLUME_KEYS) + " cannot be computed; ESP is read at dP/dtmin."
        notes.append(QualityNote("no_volume", text))
    if not signals.segment_count:
        text = "No segmental volumes: " + ", ".join(SEGMENT_KEYS) + " cannot be computed."
        notes.append(QualityNote("no_segments", text))
    for key, column in metrics.items():
        if not np.isfinite(column).any():
            notes.append(QualityNote("metric_missing", f"{BY_KEY[key].label} could not be computed in any beat.", key))
    return notes
