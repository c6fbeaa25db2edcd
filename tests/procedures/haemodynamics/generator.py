"""Made-up recordings with known truth: a time-varying elastance ventricle on a windkessel, many at a time.

Elastance: product of two Hill curves (Stergiopulos et al., Am J Physiol 1996;270:H2050, from memory). Left atrial
pressure is held, and swings with breathing; segments are delayed parts of the total volume. All recordings of a
batch advance together, so the loop over time is shared by them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from procedures.haemodynamics import PressureVolumeSignals

RATE_HZ = 1000.0
ELECTROMECHANICAL_S = 0.05
LEAD_IN_S = 4.0
SHARES = np.array([0.14, 0.20, 0.24, 0.23, 0.19])


@dataclass(frozen=True, repr=False)
class Plan:
    """Beats of one recording: R-wave times (s), which are ectopic, and the strength of each."""

    r_wave_s: np.ndarray
    ectopic: np.ndarray
    strength: np.ndarray
    breath_s: float
    breathing: float
    delays_s: np.ndarray
    shares: np.ndarray
    exchange_ml: float = 0.0


@dataclass(frozen=True, repr=False)
class Made:
    """A recording without noise, its plan, and copies with noise on request."""

    plan: Plan
    pressure: np.ndarray
    segments: np.ndarray
    ecg: np.ndarray

    def __repr__(self) -> str:
        return f"Made({self.pressure.size} samples)"

    @property
    def total(self) -> np.ndarray:
        return self.segments.sum(axis=0)

    def signals(
        self, rng: np.random.Generator | None = None, noise: float = 0.0, hum: float = 0.0, ecg: bool = True
    ) -> PressureVolumeSignals:
        """Signals with white noise (mmHg and mL SD) and 50 Hz hum (mmHg and mL amplitude) added."""
        time = np.arange(self.pressure.size) / RATE_HZ
        wave = hum * np.sin(2 * np.pi * 50.02 * time + 0.7)
        pressure, segments, leads = self.pressure + wave, self.segments + wave, self.ecg
        if rng is not None:
            pressure = pressure + noise * rng.standard_normal(pressure.shape)
            segments = segments + noise * rng.standard_normal(segments.shape)
            leads = leads + 0.02 * noise * rng.standard_normal(leads.shape) + 0.05 * wave
        return PressureVolumeSignals(RATE_HZ, pressure, segments_ml=segments, ecg_mv=leads if ecg else None)


def plan(
    rng: np.random.Generator,
    duration_s: float,
    ectopic_share: float = 0.0,
    rate_per_min: float = 70.0,
    breathing: float = 0.05,
    fibrillation: bool = False,
    delay_s: float = 0.06,
    exchange_ml: float = 0.0,
) -> Plan:
    """Sinus rhythm with respiratory arrhythmia of a third of ``breathing`` and premature beats with full pauses."""
    breath_s = float(rng.uniform(3.2, 5.5))
    rr, phase = 60 / rate_per_min, float(rng.uniform(0, 2 * np.pi))
    times, ectopic, strength = [-LEAD_IN_S], [False], [1.0]
    since = -4
    while times[-1] < duration_s:
        regular = rr * (1 + breathing / 3 * np.sin(2 * np.pi * times[-1] / breath_s + phase))
        regular *= 1 + 0.008 * rng.standard_normal()
        since += 1
        if fibrillation:
            times.append(times[-1] + rr * float(np.clip(1 + 0.22 * rng.standard_normal(), 0.55, 1.7)))
            ectopic.append(False)
            strength.append(1.0)
        elif since > 4 and times[-1] > 0 and rng.random() < ectopic_share:
            early = float(rng.uniform(0.58, 0.82))
            times += [times[-1] + early * regular, times[-1] + 2 * regular]
            ectopic += [True, False]
            strength += [float(rng.uniform(0.6, 0.85)), 1.12]
            since = 0
        else:
            times.append(times[-1] + regular)
            ectopic.append(False)
            strength.append(1.0)
    delays = delay_s * np.array([0.0, 0.15, 0.35, 0.7, 1.0])
    shares = SHARES * rng.uniform(0.9, 1.1, SHARES.size)
    return Plan(
        np.array(times),
        np.array(ectopic),
        np.array(strength),
        breath_s,
        breathing,
        delays,
        shares / shares.sum(),
        exchange_ml,
    )


def _activation(since: np.ndarray) -> np.ndarray:
    """Double-Hill elastance, 0 to about 1, of the time since mechanical activation, s."""
    t = np.maximum(since, 1e-6)
    rise = (t / 0.19) ** 2.2
    return rise / (1 + rise) / (1 + (t / 0.36) ** 16) / 0.74


def _elastance(item: Plan, time: np.ndarray) -> np.ndarray:
    """Activation with strength; the newest of two overlapping beats takes over by the larger value."""
    start = item.r_wave_s + ELECTROMECHANICAL_S
    last = np.searchsorted(start, time, side="right") - 1
    value = np.zeros(time.size)
    for back in (0, 1):
        index = last - back
        inside = index >= 0
        index = np.maximum(index, 0)
        value = np.maximum(value, inside * item.strength[index] * _activation(time - start[index]))
    return value


def _exchange(item: Plan, time: np.ndarray) -> np.ndarray:
    """Volume, mL, pushed from early to late segments in systole, back in early diastole, and a diastolic slosh."""
    moved = np.zeros(time.size)
    for r in item.r_wave_s + ELECTROMECHANICAL_S:
        first, last = np.searchsorted(time, (r, r + 0.9))
        t = time[first:last] - r
        ramp = np.clip(t / 0.12, 0, 1) - np.clip((t - 0.33) / 0.16, 0, 1)
        moved[first:last] += item.exchange_ml * ramp + 0.15 * item.exchange_ml * np.sin(6 * np.pi * t / 0.9)
    return moved


def _qrs(item: Plan, time: np.ndarray) -> np.ndarray:
    """Three leads: QRS of 0.1 to 0.15 s, T wave, pacing spike of 1 ms, wander; ectopic beats broad and inverted."""
    leads = np.zeros((3, time.size))
    for r, ectopic in zip(item.r_wave_s, item.ectopic, strict=True):
        first, last = np.searchsorted(time, (r - 0.2, r + 0.55))
        t = time[first:last] - r
        width = 0.028 if ectopic else 0.018
        qrs = np.exp(-0.5 * (t / width) ** 2) - 0.4 * np.exp(-0.5 * ((t - 2.2 * width) / width) ** 2)
        wave = 0.25 * np.exp(-0.5 * ((t - 0.28) / 0.05) ** 2)
        gains = (-1.3, 0.9, -1.1) if ectopic else (1.0, -0.6, 1.4)
        for lead, gain in zip(leads, gains, strict=True):
            lead[first:last] += gain * qrs + abs(gain) * wave
        spike = np.searchsorted(time, r - 0.045)
        if not ectopic and 0 < spike < time.size:
            leads[:, spike] += 4.0
    return leads + 0.15 * np.sin(2 * np.pi * 0.23 * time)


def make(plans: list[Plan], duration_s: float) -> list[Made]:
    """Integrate all plans together (explicit Euler, 1 ms); the first four seconds, spent settling, are dropped."""
    lead_in = int(LEAD_IN_S * RATE_HZ)
    steps = int(duration_s * RATE_HZ) + lead_in
    time = (np.arange(steps) - lead_in) / RATE_HZ
    elastance = np.stack([_elastance(item, time) for item in plans], axis=1)
    breath = np.array([item.breath_s for item in plans])
    depth = np.array([item.breathing for item in plans])
    filling = 17.0 * (1 + depth * np.sin(2 * np.pi * time[:, None] / breath))
    n = len(plans)
    volume, aorta = np.full(n, 220.0), np.full(n, 80.0)
    pressures, volumes = np.empty((steps, n)), np.empty((steps, n))
    for k in range(steps):
        free = volume - 30.0
        pressure = 1.35 * elastance[k] * free + 0.9 * (np.exp(0.0145 * free) - 1)
        pressures[k], volumes[k] = pressure, volume
        inflow = np.maximum(filling[k] - pressure, 0) / 0.018
        outflow = np.maximum(pressure - aorta, 0) / 0.03
        volume = volume + (inflow - outflow) / RATE_HZ
        aorta = aorta + (outflow - aorta / 1.15) / 1.3 / RATE_HZ
    made = []
    for j, item in enumerate(plans):
        shift = time - item.delays_s[:, None]
        segments = np.stack([np.interp(row, time, volumes[:, j]) for row in shift]) * item.shares[:, None]
        segments += np.array([-0.6, -0.4, 0.1, 0.4, 0.5])[:, None] * _exchange(item, time)
        kept = slice(lead_in, None)
        made.append(Made(item, pressures[kept, j].copy(), segments[:, kept].copy(), _qrs(item, time[kept])))
    return made
