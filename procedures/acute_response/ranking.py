"""Shrinkage against the winner's curse and the probability that each site is the best.

Effects are taken as drawn from a normal population with a mean of which nothing is assumed and an SD ``tau``
averaged over a grid about its typical size (normal hierarchical model; Efron & Morris, J Am Stat Assoc
1975;70:311 [from memory]). The probability of being best is the share of a fixed quasi-random sample
(scrambled Sobol, one seed for ever) of the joint posterior in which the site leads: deterministic, and
correlated errors such as a shared baseline cancel.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from procedures.acute_response.values import FloatArray

_SPREADS = np.array([0.2, 0.35, 0.55, 0.8, 1.15, 1.7, 2.5, 4.0])
_LOG_WEIGHTS = -0.5 * (np.log(_SPREADS) / 0.7) ** 2
_SAMPLE_BITS = 10


@lru_cache(maxsize=64)
def _normals(dimensions: int) -> FloatArray:
    sample = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(20240611)).random_base2(_SAMPLE_BITS)
    normals: FloatArray = ndtri(np.clip(sample, 1e-9, 1 - 1e-9))
    return normals


def _shrink(effect: FloatArray, covariance: FloatArray, typical: float) -> tuple[FloatArray, FloatArray]:
    """Posterior mean ``(sites,)`` and covariance of effects under the normal population of sites.

    With a single site there is nothing to be drawn towards and the input is returned.
    """
    sites = effect.size
    if sites < 2:
        return effect.copy(), covariance.copy()
    tau2 = (_SPREADS * typical) ** 2
    total = covariance + tau2[:, None, None] * np.eye(sites)
    inverse = np.linalg.inv(total)
    ones = inverse.sum(2)  # inverse @ 1
    weight = ones.sum(1)
    centre = ones @ effect / weight
    residual = effect - centre[:, None]
    pulled = np.matmul(inverse, residual[:, :, None])[:, :, 0]
    log_weight = _LOG_WEIGHTS - 0.5 * (
        np.linalg.slogdet(total)[1] + np.log(weight) + np.einsum("gs,gs->g", residual, pulled)
    )
    w = np.exp(log_weight - log_weight.max())
    w /= w.sum()
    means = effect - pulled @ covariance
    along = ones @ covariance  # (grid, sites)
    covariances = covariance - np.matmul(np.matmul(covariance, inverse), covariance)
    covariances = covariances + along[:, :, None] * along[:, None, :] / weight[:, None, None]
    mean = w @ means
    shift = means - mean
    return mean, np.einsum("g,gst->st", w, covariances) + np.einsum("g,gs,gt->st", w, shift, shift)


def _rank(mean: FloatArray, covariance: FloatArray, near: float) -> tuple[FloatArray, FloatArray]:
    """Probability that each site is best, and that it is within ``near`` of the best; higher is better."""
    sites = mean.size
    if sites == 1:
        return np.ones(1), np.ones(1)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = mean + _normals(sites) @ root.T
    top = draws.max(1)
    best = np.bincount(draws.argmax(1), minlength=sites) / draws.shape[0]
    return best, (draws >= top[:, None] - near).mean(0)
