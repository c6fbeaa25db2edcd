"""A ventricle whose pressure is written down, not solved: its slopes, decay and elastance are known in closed form.

``beating_heart`` solves a circuit; here each phase of a beat is a formula, so the truth needs no solver:

- Isovolumic contraction: a logistic, Gompertz or error-function upstroke. Steepest slopes: A/(4s), A/(e·s) and
  A/(s·sqrt(2π)); the width s is chosen from the dP/dt max asked for.
- Isovolumic relaxation: exponential with an asymptote (Weiss et al., J Clin Invest 1976;58:751, and its later form with
  an asymptote), logistic (Matsubara et al., Circulation 1995;92:2318) or hyperbolic, P = B + A/(1 + t/T). References
  from memory.
- Ejection time follows rate: 413 - 1.7·rate ms (Weissler et al., Circulation 1968;37:149; from memory).
- Volumes are scaled so that every loop touches the line P = Ees·(V - V0) in one point and lies below it elsewhere: with
  no lags between segments that line is the end-systolic relation, also while preload falls.
- A segment is its share of the volume, later by its lag; the internal flow is then computed at 10 kHz from the model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import brentq, minimize_scalar
from scipy.special import erf, erfinv

# The upstroke begins where its shape has risen by this share, so that diastole meets it without a step.
FOOT = 0.004
# The aortic valve opens at this share of the upstroke, past the steepest point of each shape.
OPENING = 0.75
DENSE_HZ = 10_000.0

# Shape of unit width: value at x, place of the value u, steepest slope.
UPSTROKES: dict[str, tuple[Callable, Callable, float]] = {
    "logistic": (lambda x: 1 / (1 + np.exp(-x)), lambda u: np.log(u / (1 - u)), 0.25),
    "gompertz": (lambda x: np.exp(-np.exp(-x)), lambda u: -np.log(-np.log(u)), float(np.exp(-1))),
    "error function": (
        lambda x: 0.5 * (1 + erf(x / np.sqrt(2))),
        lambda u: np.sqrt(2) * erfinv(2 * u - 1),
        float(1 / np.sqrt(2 * np.pi)),
    ),
}


@dataclass(frozen=True)
class Settings:
    """One steady state. Pressures in mmHg, volumes in mL, times in s, rate per min, Ees in mmHg/mL.

    ``end_pressure`` is the pressure at dP/dt min, where the decay begins. ``relaxation_s`` is the time constant of the
    decay's own formula: tau, the logistic's tau, or the hyperbola's T. ``occlusion`` is the share of stroke pressure
    lost by the last beat, in equal steps from the third beat on. ``exchange_ml`` goes from the last segment to the
    first and back in each beat, which leaves every volume of the whole as it is; a lag makes internal flow only where
    it is longer than the isovolumic phases.
    """

    rate: float = 70.0
    beats: int = 10
    dpdt_max: float = 1100.0
    upstroke: str = "logistic"
    decay: str = "exponential"
    relaxation_s: float = 0.045
    asymptote: float = 0.0
    end_diastolic_pressure: float = 12.0
    peak_pressure: float = 118.0
    end_pressure: float = 88.0
    end_diastolic_volume: float = 190.0
    ees: float = 0.95
    v0: float = 20.0
    occlusion: float = 0.0
    lags_s: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    shares: tuple[float, ...] = (0.24, 0.23, 0.21, 0.18, 0.14)
    exchange_ml: float = 0.0


@dataclass(frozen=True)
class Beat:
    """One beat from its end-diastole to the next: the two continuous curves and their truth."""

    start_s: float
    opening_s: float
    closure_s: float
    mitral_s: float
    pressure: Callable[[np.ndarray], np.ndarray]
    volume: Callable[[np.ndarray], np.ndarray]
    truth: dict[str, float]


@dataclass(frozen=True)
class Run:
    """Signals, the moments of end-diastole (s) and the truth, one value a beat."""

    time_s: np.ndarray
    pressure_mmhg: np.ndarray
    segments_ml: np.ndarray
    onsets_s: np.ndarray
    truth: dict[str, np.ndarray]
    internal_flow_fraction: float

    @property
    def volume_ml(self) -> np.ndarray:
        """The sum of the segments."""
        return self.segments_ml.sum(axis=0)


def decay_curve(kind: str, start: float, asymptote: float, constant_s: float) -> tuple[Callable, float]:
    """The decay from ``start`` as a function of time since, and its slope at 0, where it is steepest."""
    span = start - asymptote
    if kind == "exponential":
        return (lambda t: asymptote + span * np.exp(-t / constant_s)), -span / constant_s
    if kind == "logistic":
        return (lambda t: asymptote + 2 * span / (1 + np.exp(t / constant_s))), -span / (2 * constant_s)
    if kind == "hyperbolic":
        return (lambda t: asymptote + span / (1 + t / constant_s)), -span / constant_s
    raise ValueError(f"no decay called {kind!r}")


def fitted_tau(decay: Callable, seconds: float) -> tuple[float, float]:
    """Tau in s of the exponential nearest to a decay over ``seconds``: asymptote free, and asymptote 0 (log-linear)."""
    t = np.linspace(0, seconds, 400)
    p = decay(t)

    def misfit(tau: float) -> float:
        columns = np.column_stack([np.exp(-t / tau), np.ones_like(t)])
        return float(np.sum((p - columns @ np.linalg.lstsq(columns, p, rcond=None)[0]) ** 2))

    tau = minimize_scalar(misfit, bounds=(0.005, 0.5), method="bounded", options={"xatol": 1e-7}).x
    return float(tau), float(-1 / np.polyfit(t, np.log(p), 1)[0])


def _beat(s: Settings, start_s: float, cycle_s: float, edv: float, next_edv: float, next_edp: float) -> Beat:
    shape, place, steepest = UPSTROKES[s.upstroke]
    amplitude = s.peak_pressure - s.end_diastolic_pressure
    width = amplitude / (1 - FOOT) * steepest / s.dpdt_max
    foot = place(FOOT)

    def upstroke(t):
        return s.end_diastolic_pressure + amplitude * (shape(foot + t / width) - FOOT) / (1 - FOOT)

    opening = width * (place(OPENING) - foot)
    step = 1e-6
    slope = float((upstroke(opening + step) - upstroke(opening - step)) / (2 * step))
    rise = s.peak_pressure - float(upstroke(opening))
    to_peak = 2 * rise / slope  # a parabola: its slope falls to 0 without ever being steeper
    decay, fall_slope = decay_curve(s.decay, s.end_pressure, s.asymptote, s.relaxation_s)
    from_peak = 2 * (s.peak_pressure - s.end_pressure) / -fall_slope
    ejection = 0.413 - 0.0017 * s.rate
    closure = opening + max(ejection, to_peak + from_peak)
    filling_pressure = next_edp + 5
    if s.asymptote >= filling_pressure:
        raise ValueError("the decay never reaches the pressure at which the mitral valve opens")
    relaxing = brentq(lambda t: decay(t) - filling_pressure, 0, 5)
    mitral = closure + relaxing
    filling = cycle_s - mitral
    if filling < 0.02:
        raise ValueError("the cycle is too short for this contraction and relaxation")
    lowest = mitral + min(0.06, 0.35 * filling)
    opening_slope = float((decay(relaxing + step) - decay(relaxing - step)) / (2 * step))
    first_slope = float((upstroke(step) - upstroke(0)) / step)
    diastole = CubicHermiteSpline(
        [mitral, lowest, cycle_s],
        [filling_pressure, 0.45 * next_edp, next_edp],
        [opening_slope, 0.0, min(first_slope, 2 * 0.55 * next_edp / (cycle_s - lowest))],
    )
    flat_from, flat_to = opening + to_peak, closure - from_peak

    def pressure(t):
        t = np.asarray(t, float)
        dome = 3.0 * np.sin(np.pi * np.clip((t - flat_from) / max(flat_to - flat_from, 1e-9), 0, 1)) ** 2
        return np.select(
            [t < opening, t < flat_from, t < flat_to, t < closure, t < mitral],
            [
                upstroke(np.minimum(t, opening)),
                s.peak_pressure - rise * ((flat_from - t) / to_peak) ** 2,
                s.peak_pressure + dome,
                s.peak_pressure - (s.peak_pressure - s.end_pressure) * ((t - flat_to) / from_peak) ** 2,
                decay(np.clip(t - closure, 0, relaxing)),
            ],
            diastole(np.clip(t, mitral, cycle_s)),
        )

    def emptied(t):
        x = np.clip((t - opening) / (closure - opening), 0, 1)
        x = x**0.8
        return x * x * (3 - 2 * x)

    def filled(t):
        x = np.clip((t - mitral) / (cycle_s - mitral), 0, 1)
        return x * x * (3 - 2 * x)

    grid = np.arange(0, cycle_s, 1 / DENSE_HZ)
    p = pressure(grid)

    def excess(esv):
        volume = edv - (edv - esv) * emptied(grid) + (next_edv - esv) * filled(grid)
        return float(np.max(p / (volume - s.v0))) - s.ees

    if excess(edv - 1e-6) > 0:
        raise ValueError("the ventricle cannot eject: its end-diastolic volume lies below the end-systolic line")
    esv = brentq(excess, s.v0 + 1.0, edv - 1e-6)

    def volume(t):
        return edv - (edv - esv) * emptied(t) + (next_edv - esv) * filled(t)

    v = volume(grid)
    tau_free, tau_zero = fitted_tau(decay, relaxing)
    touching = int(np.argmax(p / (v - s.v0)))
    truth = {
        "dpdt_max": s.dpdt_max,
        "dpdt_min": fall_slope,
        "p_max": s.peak_pressure + (3.0 if flat_to > flat_from + 1e-6 else 0.0),
        "edp": s.end_diastolic_pressure,
        "edv": edv,
        "esv": esv,
        "stroke_volume": edv - esv,
        "stroke_work": float(-np.trapezoid(np.append(p, p[0]), np.append(v, v[0]))),
        "tau_free_asymptote_s": tau_free,
        "tau_zero_asymptote_s": tau_zero,
        "end_systolic_pressure": float(p[touching]),
        "end_systolic_volume": float(v[touching]),
    }
    return Beat(start_s, opening, closure, mitral, pressure, volume, truth)


def simulate(s: Settings, sample_rate_hz: float = 1000.0) -> Run:
    """Sample the continuous model. The truth is that of the ventricle as a whole, taken before any sampling.

    With lags, volumes and stroke work of the sum differ from those in ``truth``, which then holds NaN for them.
    """
    cycle = 60.0 / s.rate
    loss = np.zeros(s.beats + 1)
    if s.occlusion:
        loss[3:] = np.linspace(0, s.occlusion, s.beats + 2 - 3)[1:]
    beats = []
    for k in range(s.beats):
        now, after = 1 - loss[k], 1 - loss[k + 1]
        this = replace(
            s,
            end_diastolic_pressure=s.end_diastolic_pressure * (1 - 0.6 * loss[k]),
            peak_pressure=s.peak_pressure * now,
            end_pressure=s.end_pressure * now,
        )
        beats.append(
            _beat(
                this,
                k * cycle,
                cycle,
                s.v0 + (s.end_diastolic_volume - s.v0) * now,
                s.v0 + (s.end_diastolic_volume - s.v0) * after,
                s.end_diastolic_pressure * (1 - 0.6 * loss[k + 1]),
            )
        )

    def sample(t: np.ndarray, what: str) -> np.ndarray:
        index = np.clip((t // cycle).astype(int), 0, len(beats) - 1)
        out = np.empty_like(t)
        for k in np.unique(index):
            here = index == k
            inside = np.clip(t[here] - beats[k].start_s, 0, cycle)
            out[here] = getattr(beats[k], what)(inside)
        return out

    def segments(t: np.ndarray) -> np.ndarray:
        parts = np.stack([share * sample(t - lag, "volume") for share, lag in zip(s.shares, s.lags_s, strict=True)])
        moved = s.exchange_ml * np.sin(np.pi * t / cycle) ** 2
        parts[0] += moved
        parts[-1] -= moved
        return parts

    total = s.beats * cycle
    t = np.arange(int(total * sample_rate_hz)) / sample_rate_hz
    one = cycle + np.arange(0, cycle, 1 / DENSE_HZ)
    flows = np.diff(segments(one), axis=1)
    through = np.abs(flows.sum(axis=0))
    internal = (np.abs(flows).sum(axis=0) - through) / 2
    truth = {name: np.array([b.truth[name] for b in beats]) for name in beats[0].truth}
    if any(s.lags_s):
        for name in ("edv", "esv", "stroke_volume", "stroke_work", "end_systolic_volume", "end_systolic_pressure"):
            truth[name] = np.full(len(beats), np.nan)
    return Run(
        time_s=t,
        pressure_mmhg=sample(t, "pressure"),
        segments_ml=segments(t),
        onsets_s=np.array([b.start_s for b in beats]),
        truth=truth,
        internal_flow_fraction=float(internal.sum() / through.sum()),
    )
