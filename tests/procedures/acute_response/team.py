"""Simulated teams that measure epoch by epoch: one follows the advice, the others a protocol fixed beforehand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from procedures.acute_response import BeatEpoch, Comparison, compare
from tests.procedures.acute_response.simulated import BASELINE, Noise, epoch

PACE_S = 40.0
SESSION_S = 1200.0  # the drift of 5 % is reached over this time


class Patient:
    """Answers with an epoch of any state at any time; drift runs on whatever is measured."""

    def __init__(self, seed: int, kind: str, beats: int = 15, longest: int = 120) -> None:
        self.rng = np.random.default_rng(seed)
        self.effects = self.rng.normal(5.0, 4.0, int(self.rng.integers(4, 7)))
        self.noise, self.beats, self.breath_hz = Noise(), beats, float(self.rng.uniform(0.18, 0.30))
        u = np.arange(longest) * PACE_S / SESSION_S
        if kind == "walking":
            steps = self.rng.normal(size=longest - 1) * np.sqrt(np.diff(u))
            self.wander = self.noise.drift * np.concatenate([[0.0], np.cumsum(steps)])
        elif kind == "linear":
            self.wander = self.noise.drift * u * self.rng.choice([-1.0, 1.0])
        else:
            self.wander = np.zeros(longest)

    def measure(self, i: int, state: int) -> BeatEpoch:
        """Epoch number ``i`` with ``state`` (-1 is baseline)."""
        effect = self.effects[state] / 100.0 if state >= 0 else 0.0
        level = 900.0 * (1.0 + self.wander[i]) * (1.0 + effect)
        name = f"S{state}" if state >= 0 else BASELINE
        return epoch(self.rng, str(i), name, i * PACE_S, level, self.beats, self.noise, self.breath_hz)

    def near_best(self, state: str) -> bool:
        """Whether a site is the truly best one or within a percentage point of it."""
        return bool(self.effects[int(state[1:])] >= self.effects.max() - 1.0)


@dataclass(frozen=True)
class Course:
    """After each number of epochs: is the leader near the best; when the comparison was first decided; baselines."""

    right: np.ndarray  # by number of epochs, -1 before there is a leader
    decided_at: int | None
    baselines: int
    epochs: int


def by_model(result: Comparison) -> str:
    """The leader of the comparison."""
    return result.sites[0].state


def by_pairs(result: Comparison) -> str:
    """The site with the largest paired estimate."""
    return max(result.sites, key=lambda s: s.paired_change_percent or -np.inf).state


def follow_advice(patient: Patient, most: int, stop: bool = True) -> Course:
    """Baseline, every site once, then what the advice says."""
    sites = len(patient.effects)
    plan = [-1, *range(sites)]
    epochs, right, decided_at = [], np.full(most + 1, -1), None
    state = plan[0]
    for i in range(most):
        epochs.append(patient.measure(i, state))
        if i == 0:
            state = plan[1]
            continue
        result = compare(epochs, baseline=BASELINE, metric="dpdt_max_mmhg_per_s")
        seen = {e.state for e in epochs}
        missing = [s for s in range(sites) if f"S{s}" not in seen]
        if not missing:
            right[i + 1] = patient.near_best(by_model(result))
            if result.decided and decided_at is None:
                decided_at = i + 1
                if stop:
                    right[i + 1 :] = right[i + 1]
                    break
        codes = {a.code: a.state for a in result.advice}
        if "baseline_overdue" in codes:
            state = -1
        elif missing:
            state = missing[0]
        else:
            state = int((codes.get("measure_next") or by_model(result))[1:])
    return Course(right, decided_at, sum(e.state == BASELINE for e in epochs), len(epochs))


def fixed(
    patient: Patient, most: int, baseline_share: float, leader: Callable[[Comparison], str], every: int = 1
) -> Course:
    """All sites in turn, a baseline whenever its share has fallen behind; the leader is read at every few epochs."""
    sites = len(patient.effects)
    epochs, right, turn, baselines = [], np.full(most + 1, -1), 0, 0
    for i in range(most):
        if i == 0 or baselines < baseline_share * i:
            state, baselines = -1, baselines + 1
        else:
            state, turn = turn % sites, turn + 1
        epochs.append(patient.measure(i, state))
        if turn >= sites and i % every == 0:
            result = compare(epochs, baseline=BASELINE, metric="dpdt_max_mmhg_per_s")
            right[i + 1] = patient.near_best(leader(result))
    return Course(right, None, baselines, len(epochs))
