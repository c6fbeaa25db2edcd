"""Sessions of epochs with a known effect of each site, with disturbances that real sessions have.

Nothing of the engine's own noise model is used: levels are multiplied onto a slowly changing base, scatter may be heavy
tailed, unequal between sites, carried over from beat to beat, or settle after a change of pacing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

DRIFTS = ("none", "linear", "sine", "step", "walk")


@dataclass(frozen=True)
class Disturbance:
    """Percent unless said otherwise.

    ``epoch_scatter``: SD of an epoch's level. ``tails``: degrees of freedom of its t distribution, None for normal.
    ``wild_site``: that site's scatter times three. ``outlier``: one epoch off by this much. ``carry``: correlation of
    neighbouring beats. ``settling``: overshoot of the first beats after a change of pacing, up at a
    site and down at baseline, decaying with ``settle_s``.
    """

    drift: str = "walk"
    drift_size: float = 5.0
    epoch_scatter: float = 1.7
    tails: float | None = None
    wild_site: bool = False
    outlier: float = 0.0
    carry: float = 0.2
    beat_scatter: float = 4.0
    breathing: float = 3.0
    settling: float = 0.0
    settle_s: float = 12.0


@dataclass(frozen=True)
class EpochOfBeats:
    """One epoch: its state (``baseline`` or a site's label), its beats' times in s and values."""

    label: str
    time_s: np.ndarray
    values: np.ndarray


@dataclass(frozen=True)
class SimulatedSession:
    """Epochs in order, and the true change of each site in percent."""

    epochs: tuple[EpochOfBeats, ...]
    truth: dict[str, float]


def session(
    rng: np.random.Generator,
    disturbance: Disturbance,
    *,
    sites: int = 6,
    visits: int = 1,
    beats: int = 30,
    level: float = 850.0,
    baseline_between: bool = True,
) -> SimulatedSession:
    """A session: a baseline, then each site in turn (``visits`` times), a baseline after each where asked for."""
    effects = {f"site {k + 1}": float(e) for k, e in enumerate(rng.normal(12.0, 6.0, sites))}
    order = ["baseline"]
    for _ in range(visits):
        for label in rng.permutation(list(effects)):
            order.append(str(label))
            if baseline_between:
                order.append("baseline")
    wild = str(rng.choice(list(effects)))
    off = int(rng.integers(1, len(order)))
    begin, cycle, t = [], 0.85, 0.0
    for _ in order:
        begin.append(t)
        t += beats * cycle + float(rng.uniform(30, 90))
    drift = _drift(rng, disturbance, t)
    made, last = [], ""
    for i, (label, start) in enumerate(zip(order, begin, strict=True)):
        times = start + np.arange(beats) * cycle + rng.normal(0, 0.01, beats)
        sd = disturbance.epoch_scatter * (3.0 if disturbance.wild_site and label == wild else 1.0)
        draw = rng.normal() if disturbance.tails is None else rng.standard_t(disturbance.tails)
        if disturbance.tails is not None and disturbance.tails > 2:
            draw /= np.sqrt(disturbance.tails / (disturbance.tails - 2.0))
        percent = sd * draw + (disturbance.outlier * rng.choice([-1, 1]) if i == off else 0.0)
        noise = np.empty(beats)
        noise[0] = rng.normal()
        for k in range(1, beats):
            noise[k] = disturbance.carry * noise[k - 1] + np.sqrt(1 - disturbance.carry**2) * rng.normal()
        wave = disturbance.breathing * np.sin(2 * np.pi * times / 4.4 + rng.uniform(0, 6.28))
        overshoot = disturbance.settling * (0.0 if label == last else -1.0 if label == "baseline" else 1.0)
        settle = overshoot * np.exp(-(times - start) / disturbance.settle_s)
        value = level * (1 + effects.get(label, 0.0) / 100) * (1 + drift(times) / 100) * (1 + percent / 100)
        value = value * (1 + (disturbance.beat_scatter * noise + wave + settle) / 100)
        made.append(EpochOfBeats(label, times, value))
        last = label
    return SimulatedSession(tuple(made), effects)


def _drift(rng: np.random.Generator, disturbance: Disturbance, length_s: float) -> Callable[[np.ndarray], np.ndarray]:
    size = disturbance.drift_size
    if disturbance.drift == "none":
        return lambda t: np.zeros_like(t)
    if disturbance.drift == "linear":
        sign = rng.choice([-1.0, 1.0])
        return lambda t: sign * size * t / length_s
    if disturbance.drift == "sine":
        phase, turns = rng.uniform(0, 6.28), rng.uniform(0.7, 1.6)
        return lambda t: 0.5 * size * np.sin(2 * np.pi * turns * t / length_s + phase)
    if disturbance.drift == "step":
        at, sign = rng.uniform(0.2, 0.8) * length_s, rng.choice([-1.0, 1.0])
        return lambda t: sign * size * (t > at)
    grid = np.linspace(0, length_s, 400)
    path = np.cumsum(rng.normal(0, 1, 400)) * size / np.sqrt(400)
    return lambda t: np.interp(t, grid, path)
