"""Signals made ready: hum taken out, derivative chosen, beats laid out."""

from __future__ import annotations

import numpy as np

from . import quality
from .cycles import Cycles, build_cycles
from .filters import COARSE_MS, derivative_ladder, differentiator, low_pass, mains_line, remove_line
from .loop_metrics import SLOPE_NOISE_SHARE, PressureTraces
from .results import QualityNote
from .rwaves import find_r_waves
from .settings import Settings
from .signals import FloatArray, PressureVolumeSignals
from .upstrokes import find_upstrokes


def quiet_sd(x: FloatArray) -> float:
    """SD of normal noise in ``x`` as its quietest fifth tells it: what moves in the rest of the time is signal."""
    return float(np.quantile(np.abs(x), 0.2)) / 0.2533 if x.size else 0.0


def pressure_traces(signals: PressureVolumeSignals, settings: Settings) -> tuple[PressureTraces, list[QualityNote]]:
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
        noise = quiet_sd(difference)
        chosen = rung
        if noise <= settings.derivative_noise_percent / 100 * typical:
            break
    text = f"dP/dt by a filter of {chosen.bandwidth_hz:.0f} Hz bandwidth; its noise is {noise:.1f} mmHg/s (SD)."
    notes.append(QualityNote("derivative_filter", text, "P_LV", severity="info"))
    smooth = low_pass(pressure, settings.pressure_bandwidth_hz, rate)
    locator = low_pass(pressure, 2 * settings.locator_bandwidth_hz, rate)
    return PressureTraces(pressure, smooth, locator, chosen(pressure), coarse, noise, chosen), notes


def find_cycles(
    signals: PressureVolumeSignals, traces: PressureTraces, settings: Settings
) -> tuple[Cycles, list[QualityNote]]:
    rate = signals.sample_rate_hz
    upstrokes = find_upstrokes(traces.raw, rate)
    notes = []
    r_waves = np.empty(0, dtype=np.int64)
    if signals.ecg_mv is not None:
        r_waves = find_r_waves(signals.ecg_mv, rate)
        if r_waves.size == 0:
            notes.append(QualityNote("no_r_waves", "No R wave was found; beats come from the pressure.", "ECG"))
    else:
        text = "No ECG: beats were found by the upstroke of the pressure."
        notes.append(QualityNote("no_ecg", text, severity="info"))
    # The onset is a crossing near zero slope: where the derivative is noisy it would be crossed late.
    noisy = upstrokes.size > 0 and traces.slope_noise > SLOPE_NOISE_SHARE * np.median(traces.slope[upstrokes])
    onset_slope = traces.coarse_slope if noisy else traces.slope
    cycles = build_cycles(onset_slope, traces.coarse_slope, upstrokes, r_waves, settings.onset_fraction, rate)
    return cycles, notes
