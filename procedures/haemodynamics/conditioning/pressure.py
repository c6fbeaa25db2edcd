"""Pressure made ready: hum taken out, smoothed and differentiated in the ways the metrics need."""

from __future__ import annotations

from dataclasses import dataclass

from ..channels.gaps import _bridge
from ..settings import Settings
from ..signals import FloatArray, PressureVolumeSignals
from .filters import Differentiator, _low_pass, _remove_line

SLOPE_NOISE_SHARE = 0.005


@dataclass(frozen=True)
class PressureTraces:
    """Pressure bridged and free of hum; smoothed for reading; for locating extremes; its derivative (mmHg/s).

    ``noisy_rise``, ``noisy_fall``: the derivative's noise exceeds 0.5 % of a typical dP/dtmax, dP/dtmin.
    """

    raw: FloatArray
    smooth: FloatArray
    locator: FloatArray
    slope: FloatArray
    coarse_slope: FloatArray
    noisy_rise: bool
    noisy_fall: bool


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


def _pressure_traces(signals: PressureVolumeSignals, conditioning: Conditioning, settings: Settings) -> PressureTraces:
    """Pressure of a part of a recording, smoothed and differentiated in the ways the metrics need."""
    rate = signals.sample_rate_hz
    pressure = _bridge(signals.pressure_mmhg)
    if conditioning.line_hz is not None:
        pressure = _remove_line(pressure, conditioning.line_hz, rate)
    return PressureTraces(
        raw=pressure,
        smooth=_low_pass(pressure, settings.pressure_bandwidth_hz, rate),
        locator=_low_pass(pressure, 2 * settings.locator_bandwidth_hz, rate),
        slope=conditioning.differentiator(pressure),
        coarse_slope=conditioning.coarse(pressure),
        noisy_rise=conditioning.noisy_rise,
        noisy_fall=conditioning.noisy_fall,
    )
