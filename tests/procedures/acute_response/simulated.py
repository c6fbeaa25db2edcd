"""Simulated sessions with known effects, for the tests and the benchmark of the acute response.

Noise: breathing of 6.4 % peak to peak, a drift of 5 % over the session, 1.7 % between epochs and 1.2 % between beats,
which together reproduce the published 3.3 % raw and 2.1 % paired repeat discrepancy (J Card Fail 2014, PMID 24508810).
Effects are drawn as 5 +- 4 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from procedures.acute_response import BeatEpoch

BASELINE = "baseline"
DRIFTS = ("walking", "linear", "sinusoidal", "step", "none")


@dataclass(frozen=True)
class Noise:
    """SDs and sizes as parts of one."""

    breathing_amplitude: float = 0.032
    drift: float = 0.05
    scatter: float = 0.017
    beat: float = 0.012
    heavy_tails: bool = False  # beats from Student's t with 3 degrees of freedom, same SD

    def of_beats(self, rng: np.random.Generator, count: int) -> NDArray[np.float64]:
        """Draw the noise of single beats."""
        if self.heavy_tails:
            return self.beat / np.sqrt(3.0) * rng.standard_t(3, count)
        return rng.normal(0, self.beat, count)


@dataclass(frozen=True)
class Session:
    """Epochs of a session and the true change of each site in percent."""

    epochs: list[BeatEpoch]
    truth: dict[str, float]


def order_of_states(rng: np.random.Generator, sites: int, visits: int, sites_per_baseline: int) -> list[int]:
    """Baseline (-1) first, last and after every ``sites_per_baseline`` visits; sites in random order each round."""
    rounds = np.concatenate([rng.permutation(sites) for _ in range(visits)])
    states = [-1]
    for i, site in enumerate(rounds, 1):
        states.append(int(site))
        if i % sites_per_baseline == 0:
            states.append(-1)
    return states if states[-1] == -1 else [*states, -1]


def drift(rng: np.random.Generator, kind: str, u: NDArray[np.float64], size: float) -> NDArray[np.float64]:
    """Relative drift of baseline at times ``u`` (0 to 1 through the session)."""
    sign = rng.choice([-1.0, 1.0])
    if kind == "walking":
        return size * np.concatenate([[0.0], np.cumsum(rng.normal(size=u.size - 1) * np.sqrt(np.diff(u)))])
    if kind == "linear":
        return sign * size * u
    if kind == "sinusoidal":
        return 0.5 * size * np.sin(2 * np.pi * (rng.uniform(0.5, 2.0) * u + rng.uniform()))
    if kind == "step":
        return sign * size * (u > rng.uniform(0.15, 0.85))
    return np.zeros_like(u)


def epoch(
    rng: np.random.Generator,
    key: str,
    state: str,
    start: float,
    level: float,
    beats: int,
    noise: Noise,
    breath_hz: float,
) -> BeatEpoch:
    """One epoch about ``level``; breathing runs on through the session."""
    times = start + 0.85 * np.arange(beats) + rng.normal(0, 0.01, beats)
    log = noise.breathing_amplitude * np.sin(2 * np.pi * breath_hz * times)
    log += rng.normal(0, noise.scatter) + noise.of_beats(rng, beats)
    return BeatEpoch(key, state, float(times[0]), float(times[-1]), times, level * np.exp(log))


def session(
    rng: np.random.Generator,
    kind: str = "walking",
    *,
    sites: int | None = None,
    visits: int = 3,
    sites_per_baseline: int = 1,
    beats: int = 15,
    truth: list[float] | None = None,
    noise: Noise = Noise(),
) -> Session:
    """A whole session; ``truth`` gives the effects in percent instead of drawing them."""
    count = len(truth) if truth is not None else int(sites or rng.integers(4, 7))
    effects = np.asarray(truth if truth is not None else rng.normal(5.0, 4.0, count))
    states = order_of_states(rng, count, visits, sites_per_baseline)
    starts = np.cumsum(rng.uniform(30.0, 50.0, len(states)))
    wander = drift(rng, kind, (starts - starts[0]) / np.ptp(starts), noise.drift)
    breath_hz = rng.uniform(0.18, 0.30)
    epochs = []
    for i, state in enumerate(states):
        level = 900.0 * (1.0 + wander[i]) * (1.0 + (effects[state] / 100.0 if state >= 0 else 0.0))
        name = f"S{state + 1}" if state >= 0 else BASELINE
        epochs.append(epoch(rng, str(i), name, float(starts[i]), level, beats, noise, breath_hz))
    return Session(epochs, {f"S{i + 1}": float(e) for i, e in enumerate(effects)})
