"""Ringing of a catheter, as the spectrum of the contractions tells it.

A catheter and its tubing answer as a second-order system (Gardner, Anesthesiology 1981;54:227). The spectrum of a
contraction falls as a power of frequency; one that rings adds the peak of its own resonance, and falls steeply beyond.
A system that is slow without ringing lets the spectrum fall as a slower heart would: it cannot be told from the
contractions, only from a flush.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from ..beats.upstrokes import _find_upstrokes
from ..channels.gaps import _bridge
from ..conditioning.filters import _low_pass
from ..results import QualityNote
from ..signals import FloatArray

BEFORE_S, AFTER_S, TAPER_S = 0.12, 0.5, 0.04
LOW_HZ, HIGH_HZ, POINTS, HALF_BAND = 4.0, 40.0, 28, 1.12
FEWEST_BEATS = 8
STEEPNESS = (2.0, 7.5)  # a spectrum of power falls as the frequency to this power
STARTS_HZ = (9.0, 12.0, 16.0, 21.0, 28.0)
# Ringing is said where the resonance explains this share of what the power law leaves, within these limits: project
# choice; slower resonances cannot be told from the shape of systole, better damped ones hardly move a number.
EXPLAINED = 0.45
RINGING_HZ = (8.5, 26.0)
LARGEST_DAMPING = 0.38
FLATTEST = 2.4
READ_HZ = 30.0


@dataclass(frozen=True)
class Ringing:
    """A resonance seen in the contractions: natural frequency, Hz; damping ratio; share of the misfit it explains."""

    natural_hz: float
    damping: float
    explained: float


def _mean_contraction(pressure: FloatArray, rate: float) -> tuple[FloatArray, FloatArray] | None:
    """Mean dP/dt about the upstrokes, mmHg/s, and half differences of neighbours scaled to the noise of that mean."""
    upstrokes = _find_upstrokes(pressure, rate)
    if upstrokes.size < FEWEST_BEATS:
        return None
    cycle = float(np.median(np.diff(upstrokes)))
    before, after = round(BEFORE_S * rate), int(min(AFTER_S * rate, cycle - BEFORE_S * rate))
    upstrokes = upstrokes[(upstrokes > before) & (upstrokes < pressure.size - after - 1)]
    if upstrokes.size < FEWEST_BEATS or after < 0.15 * rate:
        return None
    slope = np.gradient(pressure) * rate
    beats = np.stack([slope[at - before : at + after] for at in upstrokes])
    peak = beats.max(axis=1)
    usual = np.abs(peak - np.median(peak)) < 0.25 * np.median(peak)
    if np.count_nonzero(usual) < FEWEST_BEATS:
        return None
    beats = beats[usual]
    pairs = len(beats) // 2
    apart = (beats[1 : 2 * pairs : 2] - beats[: 2 * pairs : 2]) / math.sqrt(2 * len(beats))
    edge = max(round(TAPER_S * rate), 1)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    taper = np.ones(beats.shape[1])
    taper[:edge], taper[-edge:] = rise, rise[::-1]
    return beats.mean(axis=0) * taper, apart * taper


def _gain_power(x: FloatArray, damping: float) -> FloatArray:
    """Squared gain of a second-order system at ``x`` times its natural frequency."""
    return np.asarray(1 / ((1 - x**2) ** 2 + (2 * damping * x) ** 2))


def _ringing(pressure: FloatArray, rate: float) -> Ringing | None:
    """The resonance in a stretch of pressure, or ``None`` where the contractions show none."""
    mean = _mean_contraction(_bridge(pressure), rate)
    if mean is None or rate < 2.5 * HIGH_HZ:
        return None
    size = 2 ** math.ceil(math.log2(8 * rate))
    frequency = np.fft.rfftfreq(size, 1 / rate)
    power = np.abs(np.fft.rfft(mean[0], size)) ** 2
    noise = (np.abs(np.fft.rfft(mean[1], size, axis=-1)) ** 2).mean(axis=0)
    centre = np.geomspace(LOW_HZ, HIGH_HZ, POINTS)
    bands = [(frequency >= at / HALF_BAND) & (frequency < at * HALF_BAND) for at in centre]
    level = np.array([power[band].mean() for band in bands])
    floor = np.array([noise[band].mean() for band in bands])
    if not (level > 0).all():
        return None
    seen = 10 * np.log10(level)

    def misfit(values: FloatArray) -> FloatArray:
        made = 10 ** (values[0] / 10) * (centre / 10) ** -values[1]
        if values.size == 4:
            made = made * _gain_power(centre / values[2], values[3])
        return np.asarray(10 * np.log10(made + floor) - seen)

    low, high = [float(seen.max()) - 60, STEEPNESS[0]], [float(seen.max()) + 30, STEEPNESS[1]]
    at_ten = float(np.interp(10, centre, seen))

    def fitted(start: list[float], more_low: list[float], more_high: list[float]) -> optimize.OptimizeResult:
        bounds = (low + more_low, high + more_high)
        return optimize.least_squares(misfit, start, bounds=bounds, loss="soft_l1", f_scale=3.0)

    plain = fitted([at_ten, 5.0], [], [])
    best = min(
        (fitted([at_ten, 4.5, start, 0.3], [6.0, 0.05], [HIGH_HZ, 0.7]) for start in STARTS_HZ),
        key=lambda result: float(result.cost),
    )
    explained = 1 - float(best.cost) / max(float(plain.cost), 1e-9)
    natural, damping = float(best.x[2]), float(best.x[3])
    rings = explained >= EXPLAINED and RINGING_HZ[0] <= natural <= RINGING_HZ[1]
    if not (rings and damping <= LARGEST_DAMPING and best.x[1] >= FLATTEST):
        return None
    return Ringing(natural, damping, explained)


def _overshoot_percent(pressure: FloatArray, rate: float, ringing: Ringing) -> float | None:
    """How far dP/dt max moves, percent, when the system's answer is taken back out; None where no upstroke is seen.

    A second-order system obeys p + 2·damping/w·p' + p''/w² = the true pressure, which is read off below 30 Hz.
    """
    smooth = _low_pass(_bridge(pressure), READ_HZ, rate)
    w = 2 * np.pi * ringing.natural_hz
    slope = np.gradient(smooth) * rate
    true = _low_pass(smooth + 2 * ringing.damping / w * slope + np.gradient(slope) * rate / w**2, READ_HZ, rate)
    upstrokes = _find_upstrokes(pressure, rate)
    reach = round(0.06 * rate)
    upstrokes = upstrokes[(upstrokes > reach) & (upstrokes < pressure.size - reach)]
    again = np.gradient(true) * rate
    if not upstrokes.size:
        return None
    peaks = [(slope[at - reach : at + reach].max(), again[at - reach : at + reach].max()) for at in upstrokes]
    seen, freed = np.median(np.array(peaks), axis=0)
    return 100 * abs(float(seen / freed) - 1) if freed > 0 else None


def _ringing_notes(pressure: FloatArray, rate: float) -> list[QualityNote]:
    """That the catheter rings, or that its answer cannot be told without a flush."""
    ringing = _ringing(pressure, rate)
    overshoot = None if ringing is None else _overshoot_percent(pressure, rate, ringing)
    if ringing is None or overshoot is None:
        text = (
            "How fast the pressure system answers cannot be told from the contractions. A slow, overdamped catheter "
            "makes dP/dt too small and tau too long; one that rings a little does the opposite. With a fluid-filled "
            "catheter, judge the response by a flush before you trust either."
        )
        return [QualityNote("catheter_not_told", text, "P_LV", severity="info")]
    bound = max(math.ceil(overshoot), 1)
    text = (
        f"The pressure rings at about {ringing.natural_hz:.0f} Hz (damping {ringing.damping:.1f}): an underdamped "
        f"catheter. dP/dt max may be off by about {bound} %, and dP/dt min, tau and peak pressure are not reliable. "
        "Flush the catheter, remove air bubbles, shorten the tubing, and record again."
    )
    return [QualityNote("catheter_rings", text, "P_LV", bound_percent={"dpdt_max_mmhg_per_s": float(bound)})]
