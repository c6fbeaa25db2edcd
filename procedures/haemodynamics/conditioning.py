"""Signals made ready: hum taken out, derivative chosen, beats laid out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import quality
from .cycles import Cycles, build_cycles
from .filters import (
    COARSE_MS,
    Differentiator,
    derivative_ladder,
    differentiator,
    low_pass,
    mains_line,
    remove_line,
)
from .loop_metrics import SLOPE_NOISE_SHARE, PressureTraces
from .results import QualityNote
from .rwaves import find_r_waves
from .settings import Settings
from .signals import FloatArray, PressureVolumeSignals, SignalSource
from .upstrokes import find_upstrokes
from .windows import argmax

SURVEY_S = 60.0


@dataclass(frozen=True)
class Conditioning:
    """How the pressure of a whole recording is made ready, settled once so that every epoch is measured alike.

    Attributes
    ----------
    line_hz, volume_line_hz
        Mains line to be taken out of the pressure and of the volumes, Hz, or ``None``.
    differentiator, coarse
        Derivative to be read, and the smoother one under which its extremes are located.
    slope_noise
        SD of the noise of the derivative, mmHg/s.
    noisy_rise, noisy_fall
        Whether that is more than 0.5 % of a typical dP/dtmax, dP/dtmin.
    """

    line_hz: float | None
    volume_line_hz: float | None
    differentiator: Differentiator
    coarse: Differentiator
    slope_noise: float
    noisy_rise: bool
    noisy_fall: bool


def survey_part(source: SignalSource) -> PressureVolumeSignals:
    """A minute that stands for the whole: the middle one, or the first of a few others whose pressure is all there."""
    length = int(min(source.size, SURVEY_S * source.sample_rate_hz))
    chosen = None
    for share in (0.5, 0.25, 0.75, 0.1, 0.9):
        first = int((source.size - length) * share)
        part = source.part(first, first + length)
        good = np.isfinite(part.pressure_mmhg)
        if good.all() and np.ptp(part.pressure_mmhg) > 0 if length else True:
            return part
        if chosen is None or good.mean() > np.isfinite(chosen.pressure_mmhg).mean():
            chosen = part
    assert chosen is not None  # noqa: S101 - for the type checker
    return chosen


def quiet_sd(x: FloatArray) -> float:
    """SD of normal noise in ``x`` as its quietest fifth tells it: what moves in the rest of the time is signal."""
    return float(np.quantile(np.abs(x), 0.2)) / 0.2533 if x.size else 0.0


def survey(part: PressureVolumeSignals, settings: Settings) -> tuple[Conditioning, list[QualityNote]]:
    """Settle on the hum to be removed and on the derivative, from a representative part of a recording."""
    rate = part.sample_rate_hz
    pressure = quality.bridge(part.pressure_mmhg)
    notes = []
    line = mains_line(pressure, rate, settings.mains_hz)
    if line is not None:
        pressure = remove_line(pressure, line, rate)
        notes.append(QualityNote("mains", f"A mains line at {line:.1f} Hz was removed.", "P_LV", severity="info"))
    volume_line = None
    if (total := part.total_ml) is not None:
        volume_line = mains_line(quality.bridge(total), rate, settings.mains_hz)
        if volume_line is not None:
            text = f"A mains line at {volume_line:.1f} Hz was removed from the volumes."
            notes.append(QualityNote("mains", text, "V_LV", severity="info"))
    coarse_filter = differentiator(COARSE_MS, rate)
    coarse = coarse_filter(pressure)
    ladder = derivative_ladder(rate, settings.derivative_bandwidth_floor_hz)
    typical = float(np.percentile(coarse, 99.5)) if coarse.size else 0.0
    wanted = settings.derivative_bandwidth_hz
    if wanted is not None:
        ladder = [min(ladder, key=lambda rung: abs(rung.bandwidth_hz - wanted))]
    noise, chosen, slope = 0.0, ladder[0], coarse
    for chosen in ladder:
        slope = chosen(pressure)
        noise = quiet_sd(slope - coarse)
        if noise <= settings.derivative_noise_percent / 100 * typical:
            break
    text = f"dP/dt by a filter of {chosen.bandwidth_hz:.0f} Hz bandwidth; its noise is {noise:.1f} mmHg/s (SD)."
    notes.append(QualityNote("derivative_filter", text, "P_LV", severity="info"))
    rise, fall = _typical_extremes(pressure, slope, coarse, rate)
    share = SLOPE_NOISE_SHARE
    return Conditioning(
        line, volume_line, chosen, coarse_filter, noise, noise > share * rise, noise > share * fall
    ), notes


def _typical_extremes(pressure: FloatArray, slope: FloatArray, coarse: FloatArray, rate: float) -> tuple[float, float]:
    """Medians over the contractions of the largest and smallest dP/dt, as magnitudes; infinite where there is none."""
    upstrokes = find_upstrokes(pressure, rate)
    if upstrokes.size == 0:
        return float("inf"), float("inf")
    lowest = argmax(coarse, upstrokes, np.minimum(upstrokes + round(0.6 * rate), pressure.size), -1)
    return float(np.median(np.abs(slope[upstrokes]))), float(np.median(np.abs(slope[lowest])))


def pressure_traces(signals: PressureVolumeSignals, conditioning: Conditioning, settings: Settings) -> PressureTraces:
    """Pressure of a part of a recording, smoothed and differentiated in the ways the metrics need."""
    rate = signals.sample_rate_hz
    pressure = quality.bridge(signals.pressure_mmhg)
    if conditioning.line_hz is not None:
        pressure = remove_line(pressure, conditioning.line_hz, rate)
    return PressureTraces(
        raw=pressure,
        smooth=low_pass(pressure, settings.pressure_bandwidth_hz, rate),
        locator=low_pass(pressure, 2 * settings.locator_bandwidth_hz, rate),
        slope=conditioning.differentiator(pressure),
        coarse_slope=conditioning.coarse(pressure),
        noisy_rise=conditioning.noisy_rise,
        noisy_fall=conditioning.noisy_fall,
    )


def find_cycles(signals: PressureVolumeSignals, traces: PressureTraces, settings: Settings) -> tuple[Cycles, bool]:
    """Beats of a part of a recording, and whether R waves were found in it."""
    rate = signals.sample_rate_hz
    upstrokes = find_upstrokes(traces.raw, rate)
    r_waves = np.empty(0, dtype=np.int64) if signals.ecg_mv is None else find_r_waves(signals.ecg_mv, rate)
    # The onset is a crossing near zero slope: where the derivative is noisy it would be crossed late.
    onset_slope = traces.coarse_slope if traces.noisy_rise else traces.slope
    cycles = build_cycles(onset_slope, traces.coarse_slope, upstrokes, r_waves, settings.onset_fraction, rate)
    return cycles, r_waves.size > 0
