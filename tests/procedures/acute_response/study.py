"""What many simulated sessions say about the estimator: coverage, error, bias, calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from procedures.acute_response import compare
from tests.procedures.acute_response.simulated import BASELINE, session


@dataclass(frozen=True)
class Figures:
    """Percent and percentage points, over all sessions of one kind of drift and one design."""

    coverage: float
    rmse: float
    paired_rmse: float
    shrunken_rmse: float
    leader_bias: float
    raw_leader_bias: float
    brier: float
    paired_brier: float
    hits: float
    paired_hits: float
    near_hits: float
    claimed: np.ndarray  # probability of being best, every site of every session
    came_true: np.ndarray

    @property
    def ratio(self) -> float:
        """Root mean square error over that of the paired estimate."""
        return self.rmse / self.paired_rmse


def study(sessions: int, kind: str, sites_per_baseline: int, seed: int, **options: object) -> Figures:
    """Simulate and compare; ``options`` go to ``session``."""
    rng = np.random.default_rng(seed)
    rows, best, claimed, came_true = [], [], [], []
    for _ in range(sessions):
        made = session(rng, kind, sites_per_baseline=sites_per_baseline, **options)
        result = compare(made.epochs, baseline=BASELINE, metric="dpdt_max_mmhg_per_s")
        truth = np.array([made.truth[s.state] for s in result.sites])
        change = np.array([s.change_percent for s in result.sites])
        paired = np.array([s.paired_change_percent for s in result.sites])
        shrunken = np.array([s.shrunken_change_percent for s in result.sites])
        inside = np.array([s.low_percent <= t <= s.high_percent for s, t in zip(result.sites, truth, strict=True)])
        rows.append(np.stack([change - truth, paired - truth, shrunken - truth, inside]))
        p = np.array([s.probability_best for s in result.sites])
        is_best = np.arange(truth.size) == truth.argmax()
        by_pairs = np.arange(truth.size) == paired.argmax()
        best.append(
            [
                shrunken[0] - truth[0],
                (change - truth)[change.argmax()],
                ((p - is_best) ** 2).sum(),
                (by_pairs ^ is_best).sum(),
                is_best[0],
                is_best[paired.argmax()],
                truth[0] >= truth.max() - 1.0,
            ]
        )
        claimed.append(p)
        came_true.append(is_best)
    error = np.concatenate(rows, axis=1)
    rmse = np.sqrt((error[:3] ** 2).mean(1))
    mean = np.mean(best, axis=0)
    return Figures(
        100.0 * float(error[3].mean()), *(float(x) for x in rmse), *(float(x) for x in mean[:4]),
        *(100.0 * float(x) for x in mean[4:]), np.concatenate(claimed), np.concatenate(came_true),
    )  # fmt: skip


def calibration(claimed: np.ndarray, came_true: np.ndarray, bins: int = 10) -> list[tuple[float, float, int]]:
    """Mean claimed probability, share that came true, and count, in bins of equal width."""
    which = np.minimum((claimed * bins).astype(int), bins - 1)
    return [
        (float(claimed[which == b].mean()), float(came_true[which == b].mean()), int((which == b).sum()))
        for b in range(bins)
        if (which == b).any()
    ]
