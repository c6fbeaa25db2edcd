"""What to measure next, and how much more it takes: the posterior pushed one epoch ahead.

Ranking and selection with correlated normal beliefs: the next epoch goes to the state that most lowers the
sum over the rivals of the probability that the rival beats the leader by more than the margin (one-step
look-ahead on the Bonferroni bound of the probability of correct selection; Chen & Lee, Stochastic Simulation
Optimization, 2011 [from memory]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from procedures.acute_response.model import Fit
from procedures.acute_response.values import FloatArray

MOST_ALTERNATIONS = 30


@dataclass(frozen=True)
class Plan:
    """``next_state`` is an index into the sites.

    ``rival`` is the site that most threatens the leader, ``alternations`` how many more alternations of the
    two are expected to decide between them (None when more than ``MOST_ALTERNATIONS``).
    """

    next_state: int
    rival: int
    alternations: int | None


def _plan(
    fit: Fit,
    mean: FloatArray,
    covariance: FloatArray,
    baseline: tuple[float, FloatArray],
    *,
    near: float,
    probability: float,
    within: float,
) -> Plan:
    """Look one epoch ahead from the shrunken posterior of the effects (higher is better).

    Parameters
    ----------
    fit
        The model's fit.
    mean, covariance
        Shrunken effects and their covariance, signed so that higher is better; shape ``(sites,)``, ``(sites, sites)``.
        Signing does not change the covariance.
    baseline
        Variance of the baseline level at the time of the next epoch, and its covariance with the fit's coefficients.
    near, probability
        Margin within which two sites count as equal, and the probability at which a comparison is decided.
    within
        Expected variance of the next epoch's mean from its beats.
    """
    variance, cross = baseline
    flat = fit.covariance[1:, 1:]
    # level + drift given the effects is linear in them; carry that over to the shrunken effects
    slope = np.linalg.solve(flat, cross[1:])
    left = max(float(variance - slope @ flat @ slope), 0.0)
    noise = fit.scatter**2 + within
    reach = slope + np.eye(mean.size)  # row j: coefficients of a measurement of site j
    moved = reach @ covariance  # (candidate, site)
    total = np.einsum("js,js->j", moved, reach) + left + noise
    leader = int(mean.argmax())
    rivals = np.flatnonzero(np.arange(mean.size) != leader)
    gap = mean[leader] - mean[rivals] + near
    now = covariance[leader, leader] + covariance[rivals, rivals] - 2.0 * covariance[leader, rivals]
    gain = (moved[:, [leader]] - moved[:, rivals]) ** 2 / total[:, None]
    after = np.maximum(now - gain, 1e-300)
    risk = ndtr(-gap / np.sqrt(after)).sum(1)
    # Far apart, every risk is zero to rounding: let the relative distance decide.
    if risk.max() < 1e-12:
        risk = -(gap**2 / after).min(1)
    threat = int(np.argmax(ndtr(-gap / np.sqrt(now)))) if gap.size > 1 else 0
    target = (gap[threat] / ndtri(probability)) ** 2
    more = 2.0 * noise * (1.0 / target - 1.0 / max(float(now[threat]), 1e-300))
    alternations = int(np.ceil(max(more, 0.0)))
    return Plan(
        next_state=int(risk.argmin()),
        rival=int(rivals[threat]),
        alternations=alternations if alternations <= MOST_ALTERNATIONS else None,
    )
