"""Beats whose signal was lost or is noisy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..beats.cycles import Cycles
from ..channels.gaps import _bridge, _flat_runs, _missing_runs
from ..conditioning.pressure import PressureTraces
from ..settings import Settings
from ..signals import FloatArray, PressureVolumeSignals


def _lost_signal(
    signals: PressureVolumeSignals, cycles: Cycles, total: FloatArray | None, settings: Settings
) -> NDArray[np.bool_]:
    """Beats with a gap or a stretch without any change in pressure or (total) volume."""
    rate = signals.sample_rate_hz
    lost: NDArray[np.bool_] = np.zeros(cycles.count, dtype=bool)
    channels = [signals.pressure_mmhg, *([] if total is None else [total])]
    longest = settings.lost_signal_ms * rate / 1000
    for channel in channels:
        starts, stops = _missing_runs(channel)
        long = stops - starts > longest
        still_starts, still_stops = _flat_runs(channel, rate)
        starts, stops = np.concatenate((starts[long], still_starts)), np.concatenate((stops[long], still_stops))
        order = np.argsort(stops)
        starts, stops = starts[order], stops[order]
        if stops.size:
            place = np.searchsorted(stops, cycles.onset, side="right")
            lost |= (place < stops.size) & (starts[np.minimum(place, stops.size - 1)] < cycles.next_onset)
    return lost


def _fast_residual(pressure: FloatArray, traces: PressureTraces, cycles: Cycles) -> FloatArray:
    """Root mean square of what the smoothing took off the pressure in each beat, mmHg."""
    start, stop = cycles.onset.astype(np.int64), cycles.next_onset.astype(np.int64)
    residual = _bridge(pressure) - traces.smooth
    np.square(residual, out=residual)
    summed = np.concatenate(([0.0], np.cumsum(residual)))
    return np.asarray(np.sqrt(np.maximum(summed[stop] - summed[start], 0.0) / np.maximum(stop - start, 1)))


def _noisy_beats(residual: FloatArray, settings: Settings) -> NDArray[np.bool_]:
    """Beats whose fast residual stands far out of the recording's."""
    typical = float(np.median(residual)) if residual.size else 0.0
    return np.asarray((residual > settings.noise_ratio * typical) & (residual > 1.0))
