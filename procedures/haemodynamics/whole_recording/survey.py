"""What a representative minute settles for a whole recording: the hum to take out and the derivative to read."""

from __future__ import annotations

import numpy as np

from ..beats.upstrokes import _find_upstrokes
from ..channels.gaps import _bridge
from ..conditioning.filters import (
    COARSE_MS,
    _derivative_ladder,
    _differentiator,
    _mains_line,
    _remove_line,
)
from ..conditioning.pressure import SLOPE_NOISE_SHARE, Conditioning
from ..results import QualityNote
from ..settings import Settings
from ..signals import FloatArray, PressureVolumeSignals
from ..windows import _argmax


def _quiet_sd(x: FloatArray) -> float:
    """SD of normal noise in ``x`` as its quietest fifth tells it: what moves in the rest of the time is signal."""
    return float(np.quantile(np.abs(x), 0.2)) / 0.2533 if x.size else 0.0


def _survey(stretch: PressureVolumeSignals, settings: Settings) -> tuple[Conditioning, list[QualityNote]]:
    """Settle on the hum to be removed and on the derivative, from a representative stretch of a recording."""
    rate = stretch.sample_rate_hz
    pressure = _bridge(stretch.pressure_mmhg)
    notes = []
    line = _mains_line(pressure, rate, settings.mains_hz)
    if line is not None:
        pressure = _remove_line(pressure, line, rate)
        notes.append(QualityNote("mains", f"A mains line at {line:.1f} Hz was removed.", "P_LV", severity="info"))
    volume_line = None
    if (total := stretch.total_ml) is not None:
        volume_line = _mains_line(_bridge(total), rate, settings.mains_hz)
        if volume_line is not None:
            text = f"A mains line at {volume_line:.1f} Hz was removed from the volumes."
            notes.append(QualityNote("mains", text, "V_LV", severity="info"))
    coarse_filter = _differentiator(COARSE_MS, rate)
    coarse = coarse_filter(pressure)
    ladder = _derivative_ladder(rate, settings.derivative_bandwidth_floor_hz)
    typical = float(np.percentile(coarse, 99.5)) if coarse.size else 0.0
    wanted = settings.derivative_bandwidth_hz
    if wanted is not None:
        ladder = [min(ladder, key=lambda rung: abs(rung.bandwidth_hz - wanted))]
    noise, chosen, slope = 0.0, ladder[0], coarse
    for chosen in ladder:
        slope = chosen(pressure)
        noise = _quiet_sd(slope - coarse)
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
    upstrokes = _find_upstrokes(pressure, rate)
    if upstrokes.size == 0:
        return float("inf"), float("inf")
    lowest = _argmax(coarse, upstrokes, np.minimum(upstrokes + round(0.6 * rate), pressure.size), -1)
    return float(np.median(np.abs(slope[upstrokes]))), float(np.median(np.abs(slope[lowest])))
