"""Pressure and segment volumes of a heart whose beats differ: ectopy, bigeminy, fibrillation, changing rate.

One ventricle with time-varying elastance (double Hill activation, Mynard et al., Int J Numer Meth Biomed Eng
2012;28:626; shape from memory), a valve each way with resistance and inertance left out, a three-element windkessel,
a venous reservoir at fixed pressure. The strength of each beat follows its two preceding cycles: restitution with
182 ms and potentiation (Yue, Circ Res 1985;56:340, time constants as printed there). Segments share the volume with
lags, so that dyssynchrony has a known size. Time step 1 ms by Heun; nothing here is shared with the project's own
generator.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from scipy.signal import butter, lfilter, resample_poly

STEP_S = 0.001


@dataclass(frozen=True)
class Ventricle:
    """Elastances in mmHg/mL, volumes in mL, resistances in mmHg·s/mL, compliance in mL/mmHg, pressures in mmHg."""

    e_max: float = 0.9
    e_min: float = 0.07
    v0_ml: float = 25.0
    filling_pressure: float = 16.0
    r_mitral: float = 0.03
    r_aortic: float = 0.02
    z_c: float = 0.04
    r_peripheral: float = 1.15
    compliance: float = 1.3
    rise_s: float = 0.19
    fall_s: float = 0.36
    restitution_s: float = 0.182
    refractory_s: float = 0.28
    potentiation: float = 0.2
    lags_s: tuple[float, ...] = (0.0, 0.004, 0.010, 0.017, 0.026)
    conduction_delay_s: float = 0.045


@dataclass(frozen=True)
class Beat:
    """One beat asked for: when its QRS begins, how it was made, how much its contraction is changed."""

    at_s: float
    kind: str = "sinus"
    factor: float = 1.0


@dataclass(frozen=True)
class Run:
    """What came out: signals at 1 kHz and, beat by beat, the noise-free truth."""

    time_s: np.ndarray
    pressure_mmhg: np.ndarray
    segments_ml: np.ndarray
    aortic_mmhg: np.ndarray
    ecg_mv: np.ndarray
    beats: tuple[Beat, ...]
    truth: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def volume_ml(self) -> np.ndarray:
        """The whole ventricle: the sum of its segments."""
        return self.segments_ml.sum(axis=0)


def sinus(seconds: float, cycle_s: float, rng: np.random.Generator, jitter_s: float = 0.006) -> list[Beat]:
    """A regular rhythm with the small jitter of sinus node and breathing."""
    beats, t = [], 0.6
    while t < seconds - 0.2:
        beats.append(Beat(t))
        t += cycle_s + rng.normal(0, jitter_s) + 0.008 * np.sin(2 * np.pi * t / 4.3)
    return beats


def with_ectopy(
    beats: Sequence[Beat], every: int, coupling: float, rng: np.random.Generator, *, interpolated: bool = False
) -> list[Beat]:
    """Make each ``every``-th beat premature (2: bigeminy, 3: trigeminy), or put one in between (``interpolated``)."""
    out: list[Beat] = []
    for i, beat in enumerate(beats):
        if interpolated:
            out.append(beat)
            if i % every == every - 1 and i + 1 < len(beats):
                gap = beats[i + 1].at_s - beat.at_s
                out.append(Beat(beat.at_s + (0.46 + 0.03 * rng.random()) * gap, "ectopic"))
        elif i % every == every - 1 and i > 0:
            gap = beat.at_s - beats[i - 1].at_s
            out.append(Beat(beats[i - 1].at_s + (coupling + 0.02 * rng.normal()) * gap, "ectopic"))
        else:
            out.append(beat)
    return out


def with_run(beats: Sequence[Beat], first: int, count: int, cycle_s: float) -> list[Beat]:
    """Replace the beats after ``first`` by a run of ``count`` ectopic ones, then a pause and the old rhythm."""
    start = beats[first].at_s
    run = [Beat(start + (k + 1) * cycle_s, "ectopic") for k in range(count)]
    return [*beats[: first + 1], *run, *[b for b in beats if b.at_s > run[-1].at_s + 0.75]]


def fibrillation(seconds: float, mean_s: float, rng: np.random.Generator) -> list[Beat]:
    """Atrial fibrillation: cycles without memory, gamma distributed above a refractory floor."""
    beats, t = [], 0.6
    while t < seconds - 0.2:
        beats.append(Beat(t))
        t += 0.34 + rng.gamma(5.0, (mean_s - 0.34) / 5.0)
    return beats


def changing_rate(seconds: float, from_s: float, to_s: float, rng: np.random.Generator) -> list[Beat]:
    """A rhythm whose cycle goes steadily from one length to another."""
    beats, t = [], 0.6
    while t < seconds - 0.2:
        beats.append(Beat(t))
        share = t / seconds
        t += from_s + share * (to_s - from_s) + rng.normal(0, 0.005)
    return beats


def _activation(t: float, rise: float, fall: float, cycle: float) -> float:
    if t < 0 or t > 1.2 * cycle:
        return 0.0
    g1 = (t / (0.8 * rise)) ** 1.9
    g2 = (t / fall) ** 14.0
    return (g1 / (1 + g1)) / (1 + g2)


def _strengths(beats: Sequence[Beat], v: Ventricle) -> np.ndarray:
    """Contractility of each beat from its own and the preceding cycle; 1.0 at a steady rhythm."""
    times = np.array([b.at_s for b in beats])
    cycles = np.diff(times, prepend=times[0] - np.median(np.diff(times)))
    usual = float(np.mean(cycles))

    def ready(c: float) -> float:
        return 1.0 - np.exp(-max(c - v.refractory_s, 0.0) / v.restitution_s)

    strength = np.ones(len(beats))
    for i, beat in enumerate(beats):
        before = cycles[i - 1] if i else usual
        potentiated = 1.0 + v.potentiation * (np.exp(-(before - usual) / 0.25) - 1.0)
        strength[i] = ready(cycles[i]) / ready(usual) * np.clip(potentiated, 0.6, 1.6) * beat.factor
        if beat.kind == "ectopic":
            strength[i] *= 0.85
    return strength


def run(beats: Sequence[Beat], seconds: float, v: Ventricle | None = None) -> Run:
    """Let the heart beat; the first two seconds are for settling and belong to no truth."""
    v = v or Ventricle()
    n = round(seconds / STEP_S)
    starts = np.array([b.at_s + v.conduction_delay_s for b in beats])
    cycles = np.diff(starts, append=starts[-1] + np.median(np.diff(starts)))
    strength = _strengths(beats, v)
    n_seg = len(v.lags_s)
    # Elastance of each segment: every beat adds its activation, wider where the beat is ectopic.
    active = np.zeros((n_seg, n))
    t = np.arange(n) * STEP_S
    for i, beat in enumerate(beats):
        shrink = min(1.0, (cycles[i] / 0.85) ** 0.35)
        stretch = 1.6 if beat.kind == "ectopic" else 1.0
        first, last = int(starts[i] / STEP_S), min(n, int((starts[i] + 1.0) / STEP_S))
        if first >= n:
            continue
        local = t[first:last] - starts[i]
        for k, lag in enumerate(v.lags_s):
            late = local - lag * stretch
            g1 = (np.clip(late, 0, None) / (0.8 * v.rise_s * shrink)) ** 1.9
            g2 = (np.clip(late, 0, None) / (v.fall_s * shrink)) ** 14.0
            active[k, first:last] = np.maximum(active[k, first:last], strength[i] * (g1 / (1 + g1)) / (1 + g2))
    peak = 0.72
    e = v.e_min * n_seg + (v.e_max - v.e_min) * n_seg * active / peak
    volume = np.full(n_seg, 190.0 / n_seg)
    p_c = 75.0
    pressure, aortic, segments = np.zeros(n), np.zeros(n), np.zeros((n_seg, n))
    v0 = v.v0_ml / n_seg
    for i in range(n):
        # Segments share one pressure: the common pressure at which their volumes add up to the whole.
        total = volume.sum()
        inverse = 1.0 / e[:, i]
        p = (total - v.v0_ml) / inverse.sum()
        target = v0 + p * inverse
        # A wall resists being stretched by its neighbours: a first-order approach with 15 ms.
        volume = volume + (target - volume) * (STEP_S / 0.015)
        volume *= total / volume.sum()
        ao = p if p > p_c else p_c
        q_out = max(0.0, (p - p_c) / (v.r_aortic + v.z_c))
        q_in = max(0.0, (v.filling_pressure - p) / v.r_mitral)
        volume = volume + (q_in - q_out) * STEP_S * inverse / inverse.sum()
        p_c += STEP_S * (q_out - (p_c - 4.0) / v.r_peripheral) / v.compliance
        pressure[i], segments[:, i] = p, volume
        aortic[i] = p_c + v.z_c * q_out if q_out > 0 else min(ao, p_c)
    # A pressure gauge does not see corners: a 120 Hz second-order sensor, as catheter tips have at least.
    b, a = butter(2, 120.0, "low", fs=1000.0)
    pressure = lfilter(b, a, pressure - pressure[0]) + pressure[0]
    return Run(t, pressure, segments, aortic, _ecg(beats, t), tuple(beats), _truth(beats, pressure, segments, starts))


def _ecg(beats: Sequence[Beat], t: np.ndarray) -> np.ndarray:
    """Leads II and V1 in mV: narrow or left-bundle-like beats, ectopic ones wide and of another shape."""
    out = np.zeros((2, t.size))
    for beat in beats:
        s = t - beat.at_s
        near = (s > -0.3) & (s < 0.7)
        x = s[near]
        if beat.kind == "ectopic":
            ii = -1.3 * np.exp(-0.5 * ((x - 0.075) / 0.034) ** 2) + 0.35 * np.exp(-0.5 * ((x - 0.33) / 0.06) ** 2)
            v1 = 1.1 * np.exp(-0.5 * ((x - 0.085) / 0.036) ** 2) - 0.4 * np.exp(-0.5 * ((x - 0.34) / 0.06) ** 2)
        else:
            p = 0.12 * np.exp(-0.5 * ((x + 0.16) / 0.025) ** 2)
            ii = p + 0.9 * np.exp(-0.5 * ((x - 0.05) / 0.020) ** 2) + 0.5 * np.exp(-0.5 * ((x - 0.098) / 0.022) ** 2)
            ii += -0.22 * np.exp(-0.5 * ((x - 0.33) / 0.055) ** 2)
            v1 = -1.4 * np.exp(-0.5 * ((x - 0.07) / 0.030) ** 2) + 0.45 * np.exp(-0.5 * ((x - 0.30) / 0.05) ** 2)
        out[0, near] += ii
        out[1, near] += v1
    return out


def _truth(beats: Sequence[Beat], p: np.ndarray, segments: np.ndarray, starts: np.ndarray) -> dict[str, np.ndarray]:
    """Noise-free metrics of each beat, from its electrical start to the next."""
    volume = segments.sum(axis=0)
    slope = np.gradient(p, STEP_S)
    rows: dict[str, list[float]] = {k: [] for k in ("dpdt_max", "dpdt_min", "edv", "esv", "sv", "sw", "p_max", "edp")}
    bounds = [*[b.at_s for b in beats], beats[-1].at_s + 0.8]
    for first_s, last_s in pairwise(bounds):
        first, last = int(first_s / STEP_S), min(p.size - 1, int(last_s / STEP_S))
        if last - first < 150:
            for values in rows.values():
                values.append(float("nan"))
            continue
        pp, vv = p[first : last + 1], volume[first : last + 1]
        rows["dpdt_max"].append(float(slope[first : last + 1].max()))
        rows["dpdt_min"].append(float(slope[first : last + 1].min()))
        rows["edv"].append(float(vv.max()))
        rows["esv"].append(float(vv.min()))
        rows["sv"].append(float(np.ptp(vv)))
        rows["sw"].append(float(abs(np.sum(0.5 * (pp[1:] + pp[:-1]) * np.diff(vv)))))
        rows["p_max"].append(float(pp.max()))
        rows["edp"].append(float(pp[int(0.02 / STEP_S)]))
    return {name: np.array(values) for name, values in rows.items()}


@dataclass(frozen=True)
class Faults:
    """What may be wrong with the signals of a run; each is one that a lab has met (common practice, no source)."""

    damped_segment: tuple[int, float] | None = None
    jump: tuple[int, float, float] | None = None
    reversed_segments: bool = False
    catheter: tuple[float, float] | None = None
    zero_mmhg: float = 0.0
    pressure_gain: float = 1.0
    pressure_noise_mmhg: float = 0.25
    volume_noise_ml: float = 0.25
    ecg_noise_mv: float = 0.02


def spoiled(run_: Run, faults: Faults, rng: np.random.Generator, sample_rate_hz: float = 1000.0) -> Run:
    """The run as a recorder would have it: sensor faults, noise with memory, another sampling rate."""
    p, seg, ao = run_.pressure_mmhg.copy(), run_.segments_ml.copy(), run_.aortic_mmhg.copy()
    if faults.catheter is not None:
        natural_hz, damping = faults.catheter
        w = 2 * np.pi * natural_hz
        x, v, out = p[0], 0.0, np.empty_like(p)
        for i, value in enumerate(p):
            for _ in range(4):
                v += (w * w * (value - x) - 2 * damping * w * v) * STEP_S / 4
                x += v * STEP_S / 4
            out[i] = x
        p = out
    p = faults.pressure_gain * p + faults.zero_mmhg
    if faults.damped_segment is not None:
        k, share = faults.damped_segment
        seg[k] = seg[k].mean() + share * (seg[k] - seg[k].mean())
    if faults.jump is not None:
        k, at_s, size = faults.jump
        seg[k, round(at_s / STEP_S) :] += size
    if faults.reversed_segments:
        seg = seg[::-1]

    def noise(shape: tuple[int, ...], level: float) -> np.ndarray:
        b, a = butter(1, 60.0, "low", fs=1000.0)
        made = lfilter(b, a, rng.standard_t(4, shape), axis=-1)
        return level * made / made.std()

    p = p + noise(p.shape, faults.pressure_noise_mmhg)
    ao = ao + noise(ao.shape, faults.pressure_noise_mmhg)
    seg = seg + noise(seg.shape, faults.volume_noise_ml / np.sqrt(len(seg)))
    ecg = run_.ecg_mv + noise(run_.ecg_mv.shape, faults.ecg_noise_mv)
    t = run_.time_s
    if sample_rate_hz != 1000.0:
        up, down = round(sample_rate_hz), 1000
        p, ao, seg, ecg = (resample_poly(x, up, down, axis=-1, padtype="line") for x in (p, ao, seg, ecg))
        t = np.arange(p.shape[-1]) / sample_rate_hz
    return replace(run_, time_s=t, pressure_mmhg=p, aortic_mmhg=ao, segments_ml=seg, ecg_mv=ecg)
