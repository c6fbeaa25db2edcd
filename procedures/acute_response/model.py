"""Site effects under drift: Gaussian linear algebra on epoch means, hyperparameters integrated on a fixed grid.

    y_i = level + drift(t_i) + effect(state_i) + e_i,      effect(baseline) = 0
    Var(e_i) = s2 * (scatter^2 + within_i),                s2 ~ scaled inverse chi-square about 1
    drift ~ Gaussian process, s2 * a^2 * K(t, t')

Level and effects have flat priors, so that given the drift's kind and size they are generalised least squares with
a Student t posterior (restricted likelihood; Patterson & Thompson, Biometrika 1971;58:545; Gelman et al., Bayesian
Data Analysis, ch. 14 [both from memory]). The drift's kind (none, rough = Brownian, smooth = Matern 5/2 plus a line)
and size ``a`` are averaged over a small grid by their restricted likelihood: no sampler, no optimiser, so the
same epochs always give the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, lgamma, pi, sqrt

import numpy as np
from scipy.special import stdtr, stdtrit

from procedures.acute_response.oddities import PlainFit, _influence, _likelihoods, _suppositions
from procedures.acute_response.values import FloatArray, IntArray

# Drift between first and last epoch over noise, as multiples of the typical ratio, for each kind.
_SIZES = np.array([0.12, 0.3, 0.8, 2.0, 5.0])
_KINDS = np.repeat([0, 1, 2], [1, _SIZES.size, _SIZES.size])  # none, rough, smooth
_AMPLITUDES = np.concatenate([[0.0], _SIZES, _SIZES])
_ALL = np.arange(_KINDS.size)
# Noise as multiples of the typical one. Typical figures are known for dP/dt max only, so that a session may well have
# half or eight times as much. Drift is log-normal with a log SD of 0.7 about the typical one, noise with one of 0.6;
# a tenth of the weight goes to no drift at all (project choices).
_SCALES = np.array([0.5, 1.0, 2.0, 4.0, 8.0])
_LOG_SD = 0.7
_NOISE_LOG_SD = 0.6
_NO_DRIFT = 0.10
# Parts of the mixture with less weight than this are dropped after the fit, and all but the heaviest.
_NEGLIGIBLE = 1e-3
_MOST_PARTS = 80
_SMOOTH_LENGTH = 0.35  # correlation length of the smooth kind, as a part of the session (project choice)


def _drift_kernels(u: FloatArray, w: FloatArray, grid: IntArray) -> FloatArray:
    """Covariance of unit drift between times ``u`` and ``w`` (in spans of the session) for points of the grid.

    Returns
    -------
    array of shape ``(len(grid), len(u), len(w))``
    """
    rough = np.minimum(u[:, None], w)
    r = (np.sqrt(5.0) / _SMOOTH_LENGTH) * np.abs(u[:, None] - w)
    # A Matern process whose ends differ by 1 in variance has variance 1/2; half the drift is given to a line.
    smooth = 0.25 * (1.0 + r + r * r / 3.0) * np.exp(-r) + 0.5 * np.outer(u - 0.5, w - 0.5)
    kernel: FloatArray = np.stack([np.zeros_like(rough), rough, smooth])[_KINDS[grid]]
    kernel *= (_AMPLITUDES[grid] ** 2)[:, None, None]
    return kernel


def _drift_variances(u: FloatArray, grid: IntArray) -> FloatArray:
    """Variance of unit drift at times ``u``: the diagonal of ``drift_kernels(u, u, grid)``."""
    kinds = np.stack([np.zeros_like(u), u, 0.25 + 0.5 * (u - 0.5) ** 2])
    variances: FloatArray = kinds[_KINDS[grid]] * (_AMPLITUDES[grid] ** 2)[:, None]
    return variances


def _log_weights(grid: IntArray, scales: FloatArray) -> FloatArray:
    """Prior of drift over noise (grid) and noise (scales), such that drift itself has the same prior at each noise."""
    with np.errstate(divide="ignore"):
        size = np.log(_SIZES[:, None] * scales)
    of_size = np.exp(-0.5 * (size / _LOG_SD) ** 2)
    of_size *= 0.5 * (1.0 - _NO_DRIFT) / of_size.sum(0)
    of_kind = np.concatenate([np.full((1, scales.size), _NO_DRIFT), of_size, of_size])
    of_scale = np.exp(-0.5 * (np.log(scales) / _NOISE_LOG_SD) ** 2)
    return np.log(of_kind[grid]) + np.log(of_scale / of_scale.sum())


@dataclass(frozen=True)
class Fit:
    """Posterior of level (first) and effects, as a mixture over drift, noise and suppositions of something odd.

    ``location`` ``(parts, p)`` and ``spread`` ``(parts, p, p)`` are those of Student t with ``freedom``;
    ``mean`` ``(p,)`` and ``covariance`` ``(p, p)`` are moments of the whole mixture. ``wild`` ``(epochs,)`` is the
    probability that an epoch is the odd one out.
    """

    weights: FloatArray
    location: FloatArray
    spread: FloatArray
    freedom: float
    mean: FloatArray
    covariance: FloatArray
    s2: FloatArray
    scatter: float
    wild: FloatArray
    # what prediction at other times needs
    u: FloatArray
    origin: float
    span: float
    drift_sd: float
    grid: IntArray
    inverse_design: FloatArray
    inverse_residual: FloatArray
    inverse: FloatArray

    def baseline_at(self, times: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Fitted level plus drift at ``times``: mean, variance, and covariance with every coefficient ``(n, p)``."""
        u = (np.asarray(times, float) - self.origin) / self.span
        kernel = _drift_kernels(u, self.u, self.grid) * self.drift_sd**2  # (grid, n, epochs)
        own = _drift_variances(u, self.grid) * self.drift_sd**2
        direct = np.zeros(self.mean.size)
        direct[0] = 1.0
        r = direct - np.matmul(kernel, self.inverse_design)  # (grid, n, p)
        value = self.location[:, :1] + np.matmul(kernel, self.inverse_residual[:, :, None])[:, :, 0]
        widen = self.s2 * self.freedom / max(self.freedom - 2.0, 1.0)
        left = own - np.einsum("gne,gne->gn", np.matmul(kernel, self.inverse), kernel)
        with_beta = np.matmul(r, self.spread) * (self.freedom / max(self.freedom - 2.0, 1.0))
        variance = np.maximum(left, 0.0) * widen[:, None] + np.einsum("gnp,gnp->gn", with_beta, r)
        mean = self.weights @ value
        spread = value - mean
        total = self.weights @ (variance + spread**2)
        shift = self.location - self.mean
        cross = np.einsum("g,gnp->np", self.weights, with_beta) + np.einsum("g,gn,gp->np", self.weights, spread, shift)
        return mean, total, cross

    def interval(self, low: float = 0.025, high: float = 0.975) -> FloatArray:
        """Quantiles of every coefficient under the mixture; shape ``(p, 2)``."""
        probability = np.array([low, high])
        weights, location = self.weights, self.location
        sd = np.sqrt(self.spread.diagonal(axis1=1, axis2=2))  # (grid, p)
        start = np.sqrt(self.covariance.diagonal() * max(self.freedom - 2.0, 1.0) / self.freedom)
        x = self.mean[:, None] + start[:, None] * stdtrit(self.freedom, probability)  # (p, 2)
        nu = self.freedom
        for _ in range(6):
            z = (x[None] - location[:, :, None]) / sd[:, :, None]
            cdf = np.tensordot(weights, stdtr(nu, z), 1)
            density = (1.0 + z * z / nu) ** (-(nu + 1.0) / 2.0) / sd[:, :, None]
            pdf = np.tensordot(weights, density, 1) * _t_constant(nu)
            step = np.clip((cdf - probability) / np.maximum(pdf, 1e-300), -start[:, None], start[:, None])
            x = x - step
            if np.abs(step).max() < 1e-4 * start.max():
                break
        return x


def _t_constant(nu: float) -> float:
    return exp(lgamma((nu + 1.0) / 2.0) - lgamma(nu / 2.0)) / sqrt(nu * pi)


def fit_effects(
    y: FloatArray,
    within: FloatArray,
    times: FloatArray,
    state: IntArray,
    sites: int,
    *,
    scatter: float,
    prior_weight: float,
    drift_sd: float,
    grid: IntArray = _ALL,
    scales: FloatArray = _SCALES,
    odd: bool = True,
    shared: FloatArray | None = None,
) -> Fit:
    """Fit level, drift and site effects to epoch means.

    Parameters
    ----------
    y, within, times
        Epoch means (log or relative scale), the variance of each mean, mid times in seconds; shape ``(epochs,)``.
    state
        -1 for baseline, else the site's index; shape ``(epochs,)``.
    sites
        Number of sites; each has at least one epoch, and there is at least one baseline.
    scatter, prior_weight
        Prior SD between epochs and how many epochs it counts for at each of ``scales``.
    drift_sd
        Typical drift over the session, on the scale of ``y``.
    grid
        Points of the drift grid to average over; all of them unless a single one is to be looked at.
    scales
        Noise to average over, as multiples of ``scatter`` and ``within``.
    odd
        Whether one epoch may have gone wrong or one state may scatter more than the others.
    shared
        Errors that epochs have in common, each column with a variance of 1; shape ``(epochs, k)``.

    Returns
    -------
    Fit
        Level and effects on the scale of ``y`` with their covariance, averaged over drift, noise and suppositions.

    Notes
    -----
    Nothing may be NaN: epochs without a mean are left out before. The model is our own definition, described at the
    top of this file.
    """
    origin, span = float(times.min()), float(np.ptp(times)) or 1.0
    u = (times - origin) / span
    design = np.zeros((y.size, sites + 1))
    design[:, 0] = 1.0
    at_site = np.flatnonzero(state >= 0)
    design[at_site, state[at_site] + 1] = 1.0

    noise = scatter**2 + within
    kernel = _drift_kernels(u, u, grid) * drift_sd**2
    kernel[:, np.arange(y.size), np.arange(y.size)] += noise
    if shared is not None and shared.size:
        kernel += shared @ shared.T
    factor = np.linalg.cholesky(kernel)
    inverse = np.asarray(np.linalg.inv(kernel), float)
    inverse_design = np.matmul(inverse, design)
    information = np.matmul(design.T, inverse_design)
    core = np.linalg.inv(information)
    leverage = np.matmul(core, inverse_design.transpose(0, 2, 1))
    location = leverage @ y
    residual = y - location @ design.T
    projected = np.matmul(inverse, residual[:, :, None])[:, :, 0]
    squares = np.einsum("ge,ge->g", residual, projected)
    log_det = 2.0 * np.log(factor.diagonal(axis1=1, axis2=2)).sum(1) + np.linalg.slogdet(information)[1]

    plain = PlainFit(noise, inverse, leverage, inverse - np.matmul(inverse_design, leverage), projected)
    supposed = _suppositions(state)[: None if odd else 1]
    more_det, less_squares = _likelihoods(supposed, plain)
    freedom = prior_weight + y.size - design.shape[1]
    # (grid, scales, suppositions)
    prior = prior_weight * scales[None, :, None] ** 2
    s2 = (prior + np.maximum(squares[:, None] - less_squares, 0.0)[:, None, :]) / freedom
    log_weight = (
        _log_weights(grid, scales)[:, :, None]
        + np.array([one.log_weight for one in supposed])
        - 0.5 * (log_det[:, None] + more_det)[:, None, :]
        - 0.5 * freedom * np.log(s2)
        + 0.5 * prior_weight * np.log(scales[None, :, None] ** 2)
    )
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    wild = weights.sum((0, 1))[1 : 1 + y.size] if odd else np.zeros(y.size)
    heaviest = np.argsort(-weights, axis=None, kind="stable")[:_MOST_PARTS]
    heaviest = heaviest[weights.flat[heaviest] > _NEGLIGIBLE]
    g, c, h = np.unravel_index(np.sort(heaviest), weights.shape)
    weights, s2 = weights[g, c, h], s2[g, c, h]
    weights /= weights.sum()
    location, core, inverse = location[g], core[g], inverse[g]
    for j in np.unique(h[h > 0]):
        here = np.flatnonzero(h == j)
        shift, widening, inverse[here] = _influence(supposed[j], plain, g[here])
        location[here] -= shift
        core[here] += widening
    inverse_design = np.matmul(inverse, design)
    inverse_residual = np.matmul(inverse, (y - location @ design.T)[:, :, None])[:, :, 0]
    spread = core * s2[:, None, None]
    mean = weights @ location
    shift = location - mean
    covariance = np.einsum("g,gpq->pq", weights, spread) * (freedom / max(freedom - 2.0, 1.0))
    covariance += np.einsum("g,gp,gq->pq", weights, shift, shift)
    return Fit(
        weights, location, spread, float(freedom), mean, covariance, s2,
        float(scatter * np.sqrt(weights @ s2)), wild, u, origin, span, drift_sd,
        grid[g], inverse_design, inverse_residual, inverse,
    )  # fmt: skip
