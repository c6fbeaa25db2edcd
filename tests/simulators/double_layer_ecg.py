"""Twelve leads from the wall of a heart: activation spreads over a shell, each patch has its own action potential.

The potential of a lead is the sum over the wall of a transfer weight times the local action potential: the equivalent
double layer (van Oosterom, the form used for forward simulation of the QRST). QRS and T wave follow from the same
sum, so a T wave may overlap the end of the QRS as it does in people. The truth is taken from the same wall with cells
that do not repolarise: what is then left of the signal is depolarisation and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import butter, filtfilt, lfilter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

LEADS = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
# Electrode positions in mm: x to the patient's left, y to the back, z to the head; the heart's centre at the origin.
ELECTRODES = {
    # The chest's surface makes limb potentials larger than in an endless conductor: the places are drawn in for it.
    "RA": (-105.0, 10.0, 100.0),
    "LA": (135.0, 10.0, 100.0),
    "LL": (45.0, 0.0, -175.0),
    "V1": (-55.0, -75.0, 25.0),
    "V2": (-5.0, -85.0, 25.0),
    "V3": (30.0, -85.0, 5.0),
    "V4": (65.0, -75.0, -20.0),
    "V5": (105.0, -35.0, -22.0),
    "V6": (125.0, 15.0, -22.0),
}
# What is left out of the truth at each end: below what an average of ten beats shows.
VISIBLE_MV = 0.005


@dataclass(frozen=True)
class Heart:
    """One heart and its activation.

    ``sources`` are (polar angle from the base in degrees, azimuth in degrees with 0 at the left free wall and 180 at
    the septum, ms after the first) of the places where activation begins; ``velocity_m_per_s`` is that of the wall.
    ``slow`` is an arc of azimuth conducting at a third of it (a scar's border), giving notches and late ends.
    """

    sources: tuple[tuple[float, float, float], ...] = ((60.0, 180.0, 0.0),)
    velocity_m_per_s: float = 0.75
    slow: tuple[float, float] | None = None
    scar: tuple[float, float, float] | None = None
    duration_ms: float = 300.0
    t_coupling: float = -0.3
    roughness_ms: float = 12.0
    turn_deg: float = 0.0
    gain: float = 1.0
    seed: int = 0


@dataclass(frozen=True)
class Traces:
    """Leads by samples in mV.

    ``beats_ms``: first activation of each beat, from the first sample; onset, end and stimulus are ms from there.
    """

    leads: np.ndarray
    sample_rate_hz: float
    beats_ms: np.ndarray
    onset_ms: float
    end_ms: float
    stimulus_ms: float | None = None
    names: tuple[str, ...] = LEADS
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def duration_ms(self) -> float:
        """The true QRS duration."""
        return self.end_ms - self.onset_ms


def _shell(turn_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Patches of a half-ellipsoid shell: positions (n, 3), outward normals (n, 3), areas (n,), angles (n, 2) deg."""
    theta = np.deg2rad(np.arange(30.0, 178.0, 4.5))
    points, normals, areas, angles = [], [], [], []
    a, c = 36.0, 52.0
    for t in theta:
        count = max(8, int(2 * np.pi * a * np.sin(t) / 3.8))
        for p in np.linspace(0.0, 2 * np.pi, count, endpoint=False):
            point = np.array([a * np.sin(t) * np.cos(p), a * np.sin(t) * np.sin(p), c * np.cos(t)])
            normal = point / np.array([a**2, a**2, c**2])
            points.append(point)
            normals.append(normal / np.linalg.norm(normal))
            areas.append(2 * np.pi * a * np.sin(t) / count * np.hypot(a * np.cos(t), c * np.sin(t)) * np.deg2rad(4.5))
            angles.append((np.rad2deg(t), np.rad2deg(p)))
    # The long axis points to the left, forward and down, as in the chest.
    tilt, turn = np.deg2rad(55.0), np.deg2rad(-35.0 + turn_deg)
    about_y = np.array([[np.cos(tilt), 0, -np.sin(tilt)], [0, 1, 0], [np.sin(tilt), 0, np.cos(tilt)]])
    about_z = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    rotation = about_z @ about_y
    return np.array(points) @ rotation.T, np.array(normals) @ rotation.T, np.array(areas), np.array(angles)


def _activation(heart: Heart, points: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """Activation time of each patch in ms: the shortest way over the wall from the sources."""
    speed = np.full(len(points), heart.velocity_m_per_s)
    if heart.slow is not None:
        low, high = heart.slow
        speed[(angles[:, 1] >= low) & (angles[:, 1] <= high)] /= 3.0
    gap = np.linalg.norm(points[:, None] - points[None], axis=2)
    near = (gap > 0) & (gap < 9.0)
    row, column = np.nonzero(near)
    cost = gap[row, column] / (0.5 * (speed[row] + speed[column]))
    graph = coo_array((cost, (row, column)), shape=gap.shape).tocsr()
    times = np.full(len(points), np.inf)
    for polar, azimuth, after in heart.sources:
        off = np.abs((angles[:, 1] - azimuth + 180) % 360 - 180) * np.sin(np.deg2rad(angles[:, 0]))
        start = int(np.argmin(np.hypot(angles[:, 0] - polar, off)))
        times = np.minimum(times, after + dijkstra(graph, indices=start))
    return times - times.min()


def _upstroke(t: np.ndarray) -> np.ndarray:
    """Depolarisation seen from afar: the wall is crossed within some milliseconds."""
    return 1.0 / (1.0 + np.exp(-np.clip(t / 2.2, -60, 60)))


def _repolarised(t: np.ndarray, duration: np.ndarray) -> np.ndarray:
    """Plateau and phase 3 as a smooth fall, steeper at its end than at its beginning."""
    slow = 1.0 / (1.0 + np.exp(-np.clip((t - duration) / 22.0, -60, 60)))
    fast = 1.0 / (1.0 + np.exp(-np.clip((t - duration - 18.0) / 11.0, -60, 60)))
    return 0.6 * slow + 0.4 * fast


def one_beat(heart: Heart, sample_rate_hz: float, length_ms: float = 760.0) -> tuple[np.ndarray, float, float]:
    """Twelve leads of one noise-free beat (12, n) in mV, with QRS onset and end in ms from its first activation.

    The first activation lies 100 ms after the first sample.
    """
    rng = np.random.default_rng(heart.seed)
    points, normals, areas, angles = _shell(heart.turn_deg)
    times = _activation(heart, points, angles)
    weight = {}
    for name, place in ELECTRODES.items():
        away = np.array(place) - points
        seen = areas * np.sum(normals * away, axis=1) / np.linalg.norm(away, axis=1) ** 3
        # A wall that is in one state all over shows nothing: the open base is closed by the mean.
        weight[name] = seen - areas * seen.sum() / areas.sum()
    if heart.scar is not None:
        polar, azimuth, radius = heart.scar
        off = np.abs((angles[:, 1] - azimuth + 180) % 360 - 180) * np.sin(np.deg2rad(angles[:, 0]))
        dead = np.hypot(angles[:, 0] - polar, off) < radius
        for name in weight:
            weaker = np.where(dead, 0.1, 1.0) * weight[name]
            weight[name] = weaker - areas * weaker.sum() / areas.sum()
    # What activates first repolarises last by as much as ``t_coupling`` says; smooth differences over the wall remain.
    bumps = sum(
        rng.normal() * np.cos(np.deg2rad(k * angles[:, 0] + m * angles[:, 1]) + rng.uniform(0, 6.28))
        for k, m in ((1, 1), (2, 0), (1, 2))
    )
    duration = heart.duration_ms + heart.t_coupling * (times - times.mean()) + heart.roughness_ms * bumps
    t = np.arange(0.0, length_ms, 1000.0 / sample_rate_hz) - 100.0
    after = t[None, :] - times[:, None]
    depolarised = _upstroke(after)
    both = depolarised - _repolarised(after, duration[:, None])

    def leads(source: np.ndarray) -> np.ndarray:
        seen = {name: weight[name] @ source for name in ELECTRODES}
        wct = (seen["RA"] + seen["LA"] + seen["LL"]) / 3.0
        limb = [seen["LA"] - seen["RA"], seen["LL"] - seen["RA"], seen["LL"] - seen["LA"]]
        augmented = [1.5 * (seen[name] - wct) for name in ("RA", "LA", "LL")]
        return np.array(limb + augmented + [seen[f"V{k}"] - wct for k in range(1, 7)])

    signal, bare = leads(both), leads(depolarised)
    size = np.abs(bare - bare[:, :1]).max()
    scale = heart.gain * 1.8 / size
    signal, bare = scale * (signal - signal[:, :1]), scale * bare
    # Depolarisation alone ends in a level; the QRS is where any lead is off its first or its last level.
    begun = np.abs(bare - bare[:, :1]).max(axis=0) > VISIBLE_MV
    left = np.abs(bare - bare[:, -1:]).max(axis=0) > VISIBLE_MV
    onset = float(t[np.argmax(begun)])
    end = float(t[len(t) - 1 - np.argmax(left[::-1])])
    return signal, onset, end


@dataclass(frozen=True)
class Noise:
    """What a lab's recording adds. Levels in mV (standard deviation or peak), filters in Hz."""

    muscle_mv: float = 0.008
    hum_mv: float = 0.005
    hum_hz: float = 50.0
    wander_mv: float = 0.08
    breathing: float = 0.04
    low_pass_hz: float | None = 150.0
    high_pass_hz: float | None = 0.05
    step_mv: float = 0.00122


def record(
    heart: Heart,
    *,
    beats: int = 10,
    cycle_ms: float = 860.0,
    sample_rate_hz: float = 1000.0,
    noise: Noise = Noise(),
    stimulus_mv: float = 0.0,
    stimulus_before_ms: float = 0.0,
    after_potential_mv: float = 0.0,
    p_wave_mv: float = 0.12,
    seed: int = 1,
) -> Traces:
    """A strip of beats: the heart's beat repeated with jitter, a P wave, a stimulus if asked for, and noise."""
    rng = np.random.default_rng(seed)
    beat, onset, end = one_beat(heart, sample_rate_hz)
    step = 1000.0 / sample_rate_hz
    starts = np.cumsum(rng.normal(cycle_ms, 8.0 if stimulus_mv == 0 else 0.0, beats)) - cycle_ms + 400.0
    length = int((starts[-1] + 900.0) / step)
    t = np.arange(length) * step
    leads = np.zeros((12, length))
    angle = rng.uniform(0.2, 1.0, 12)
    for start in starts:
        first = round(start / step) - round(100.0 / step)
        stop = min(length, first + beat.shape[1])
        size = 1.0 + noise.breathing * np.sin(2 * np.pi * start / 4100.0)
        leads[:, first:stop] += size * beat[:, : stop - first]
        if stimulus_mv == 0.0 and p_wave_mv:
            centre = start - 150.0
            hump = np.exp(-0.5 * ((t - centre) / 22.0) ** 2) + 0.6 * np.exp(-0.5 * ((t - centre - 32.0) / 20.0) ** 2)
            leads += p_wave_mv * angle[:, None] * hump
    names_like = np.array([0.6, 1.0, 0.4, -0.8, 0.1, 0.7, -0.3, 0.2, 0.5, 0.7, 0.8, 0.7])
    if stimulus_mv:
        for start in starts:
            at = start - stimulus_before_ms
            pulse = ((t >= at) & (t < at + 1.0)).astype(float)
            tail = np.where(t >= at + 1.0, np.exp(-(t - at - 1.0) / 9.0), 0.0)
            leads += names_like[:, None] * (stimulus_mv * pulse - after_potential_mv * tail)
    if noise.high_pass_hz:
        b, a = butter(1, noise.high_pass_hz, "high", fs=sample_rate_hz)
        leads = lfilter(b, a, leads, axis=1)
    muscle = rng.standard_t(5, leads.shape) * noise.muscle_mv
    b, a = butter(2, [15.0, min(180.0, 0.45 * sample_rate_hz)], "band", fs=sample_rate_hz)
    muscle = filtfilt(b, a, muscle, axis=1) * 1.4
    hum = noise.hum_mv * np.sin(2 * np.pi * noise.hum_hz * t / 1000.0 + rng.uniform(0, 6.28, (12, 1)))
    sway = noise.wander_mv * rng.normal(0, 1, (12, 1)) * np.sin(2 * np.pi * t / 4100.0 + rng.uniform(0, 6.28, (12, 1)))
    leads = leads + muscle + hum + sway
    if noise.low_pass_hz and noise.low_pass_hz < 0.5 * sample_rate_hz:
        b, a = butter(2, noise.low_pass_hz, "low", fs=sample_rate_hz)
        leads = lfilter(b, a, leads, axis=1)
    # Limb leads keep their arithmetic, as a recorder stores them.
    leads[2] = leads[1] - leads[0]
    leads[3], leads[4], leads[5] = -(leads[0] + leads[1]) / 2, leads[0] - leads[1] / 2, leads[1] - leads[0] / 2
    leads = np.round(leads / noise.step_mv) * noise.step_mv
    stimulus = -stimulus_before_ms if stimulus_mv else None
    return Traces(leads, sample_rate_hz, starts, onset, end, stimulus)


def random_wide(rng: np.random.Generator) -> Heart:
    """A heart with a wide QRS: activation from the septum, the right or one left site, often with a slow stretch."""
    azimuth = float(rng.choice([180.0, 150.0, 210.0, 20.0, 320.0]))
    sources: list[tuple[float, float, float]] = [(float(rng.uniform(50, 140)), azimuth, 0.0)]
    if rng.random() < 0.35:
        sources.append(
            (float(rng.uniform(50, 140)), float((azimuth + rng.uniform(90, 200)) % 360), rng.uniform(20, 60))
        )
    slow = None
    if rng.random() < 0.6:
        low = float(rng.uniform(0, 300))
        slow = (low, low + float(rng.uniform(20, 60)))
    scar = (float(rng.uniform(60, 150)), float(rng.uniform(0, 360)), 35.0) if rng.random() < 0.3 else None
    return Heart(
        sources=tuple(sources),
        velocity_m_per_s=float(rng.uniform(0.62, 1.15)),
        slow=slow,
        scar=scar,
        duration_ms=float(rng.uniform(230, 330)),
        t_coupling=float(rng.uniform(-0.6, 0.4)),
        roughness_ms=float(rng.uniform(4, 24)),
        turn_deg=float(rng.uniform(-30, 30)),
        seed=int(rng.integers(1 << 30)),
    )
