"""Time constants of isovolumic relaxation, three ways, for all beats at once.

All three use the samples from dP/dtmin to the moment when pressure has fallen to the next beat's end-diastolic
pressure plus a margin (5 mmHg by default; common practice, from memory).

- zero asymptote: slope of ln P on t is −1/tau (Weiss et al., J Clin Invest 1976;58:751, from memory)
- free asymptote: P = (P0 − Pinf)·exp(−t/tau) + Pinf by least squares on pressure (Am J Physiol 2001;280:H2936)
- logistic: P = PA/(1 + exp(t/tauL)) + PB (Matsubara et al., Circulation 1995;92:2318, formula from memory)
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .signals import FloatArray

Mask = NDArray[np.bool_]
Model = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]]
MINIMUM_SAMPLES = 6
SHORTEST_MS, LONGEST_MS = 3.0, 400.0
STEPS = 10


def tau_zero_asymptote_ms(time_ms: FloatArray, pressure: FloatArray, inside: Mask) -> FloatArray:
    """Regress ln P on t.

    Parameters
    ----------
    time_ms
        Time from dP/dtmin, ms, shape (samples,).
    pressure, inside
        Pressures, mmHg, and which of them belong to the window, shape (beats, samples).

    Returns
    -------
    FloatArray
        tau in ms, shape (beats,); NaN with fewer than six positive samples or when pressure does not fall.
    """
    weight = (inside & (pressure > 0)).astype(float)
    logarithm = np.log(np.where(weight > 0, pressure, 1.0))
    n = weight.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_t = (weight * time_ms).sum(axis=1) / n
        mean_y = (weight * logarithm).sum(axis=1) / n
        dt = time_ms - mean_t[:, None]
        slope = (weight * dt * (logarithm - mean_y[:, None])).sum(axis=1) / (weight * dt**2).sum(axis=1)
        tau = -1.0 / slope
    return np.where((n >= MINIMUM_SAMPLES) & (slope < 0), tau, np.nan)


def _exponential(time_ms: FloatArray, tau: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shape exp(−t/tau) and its first and second derivative by tau."""
    rate = time_ms / tau[:, None] ** 2
    shape = np.exp(-time_ms / tau[:, None])
    return shape, shape * rate, shape * rate * (rate - 2 / tau[:, None])


def _logistic(time_ms: FloatArray, tau: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shape 1/(1 + exp(t/tau)) and its first and second derivative by tau."""
    rate = time_ms / tau[:, None] ** 2
    shape = 1.0 / (1.0 + np.exp(np.minimum(time_ms / tau[:, None], 700.0)))
    first = shape * (1.0 - shape) * rate
    return shape, first, first * ((1.0 - 2.0 * shape) * rate - 2 / tau[:, None])


def _line(shape: FloatArray, pressure: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Best amplitude and offset for one shape per beat, and the squared error left."""
    n = weight.sum(axis=1)
    mean_s, mean_p = (weight * shape).sum(axis=1) / n, (weight * pressure).sum(axis=1) / n
    ds, dp = weight * (shape - mean_s[:, None]), weight * (pressure - mean_p[:, None])
    spread = (ds * ds).sum(axis=1)
    amplitude = (ds * dp).sum(axis=1) / np.where(spread > 0, spread, np.nan)
    offset = mean_p - amplitude * mean_s
    return amplitude, offset, ((dp - amplitude[:, None] * ds) ** 2).sum(axis=1)


def curvature_bias(
    shape: FloatArray,
    first: FloatArray,
    second: FloatArray,
    amplitude: FloatArray,
    weight: FloatArray,
    error: FloatArray,
) -> FloatArray:
    """Bias of the fitted tau that noise and the curvature of the model cause, ms, shape (beats,).

    Box, J R Stat Soc B 1971;33:171 (from memory): −½·s²·M⁻¹·Σ J_i·tr(M⁻¹·H_i), with J the gradient and H the second
    derivatives of the model at each sample, M = Σ J_i·J_iᵀ, s² the residual variance.
    """
    jacobian = np.stack((shape, amplitude[:, None] * first, np.ones_like(shape)), axis=2) * weight[:, :, None]
    normal = np.einsum("bsi,bsj->bij", jacobian, jacobian)
    good = np.isfinite(normal).all(axis=(1, 2)) & (np.linalg.cond(np.where(np.isfinite(normal), normal, 0)) < 1e13)
    inverse = np.linalg.inv(np.where(good[:, None, None], normal, np.eye(3)))
    trace = 2 * inverse[:, 0, 1, None] * first + inverse[:, 1, 1, None] * amplitude[:, None] * second
    variance = error / np.maximum(weight.sum(axis=1) - 3, 1)
    pull = np.einsum("bsi,bs->bi", jacobian, weight * trace)
    bias = -0.5 * variance * np.einsum("bi,bi->b", inverse[:, 1], pull)
    return np.where(good, bias, 0.0)


def _fit(
    model: Model, time_ms: FloatArray, pressure: FloatArray, inside: Mask, repeats: int
) -> tuple[FloatArray, FloatArray]:
    """Separable least squares: amplitude and offset are linear, so only tau is searched for.

    A grid over tau for all beats, then damped Gauss-Newton steps on the projected residual, each beat keeping its
    best; at last the bias by curvature is taken off. Returns tau and offset, shape (beats,). ``repeats``: samples for
    each independent one, above 1 where they were interpolated.
    """
    n_beats = pressure.shape[0]
    weight = inside.astype(float)
    enough = inside.sum(axis=1) >= MINIMUM_SAMPLES
    best_tau, best_error = np.full(n_beats, SHORTEST_MS), np.full(n_beats, np.inf)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for candidate in np.geomspace(SHORTEST_MS, LONGEST_MS, 25):
            shape = np.broadcast_to(model(time_ms, np.full(1, candidate))[0], pressure.shape)
            _, _, error = _line(shape, pressure, weight)
            better = error < best_error
            best_tau, best_error = np.where(better, candidate, best_tau), np.where(better, error, best_error)
        damping = np.ones(n_beats)
        for _ in range(STEPS):
            shape, first, _ = model(time_ms, best_tau)
            amplitude, offset, _ = _line(shape, pressure, weight)
            residual = weight * (pressure - amplitude[:, None] * shape - offset[:, None])
            a, b, _ = _line(shape, first, weight)
            direction = weight * amplitude[:, None] * (first - a[:, None] * shape - b[:, None])
            step = damping * (direction * residual).sum(axis=1) / (direction**2).sum(axis=1)
            step = np.clip(np.nan_to_num(step), -0.4 * best_tau, 0.6 * best_tau)
            trial = np.clip(best_tau + step, SHORTEST_MS, LONGEST_MS)
            _, _, error = _line(model(time_ms, trial)[0], pressure, weight)
            better = error < best_error
            best_tau, best_error = np.where(better, trial, best_tau), np.where(better, error, best_error)
            damping = np.where(better, 1.0, 0.3 * damping)
        shape, first, second = model(time_ms, best_tau)
        amplitude, offset, _ = _line(shape, pressure, weight)
        bias = repeats * curvature_bias(shape, first, second, amplitude, weight, best_error)
    inner = (best_tau > 1.01 * SHORTEST_MS) & (best_tau < 0.99 * LONGEST_MS)
    good = enough & (amplitude > 0) & np.isfinite(best_error) & inner
    tau = best_tau - np.clip(np.nan_to_num(bias), -0.5 * best_tau, 0.5 * best_tau)
    return np.where(good, tau, np.nan), np.where(good, offset, np.nan)


def tau_exponential_ms(
    time_ms: FloatArray, pressure: FloatArray, inside: Mask, repeats: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Free-asymptote tau, ms, and Pinf, mmHg; shapes as in :func:`tau_zero_asymptote_ms`."""
    return _fit(_exponential, time_ms, pressure, inside, repeats)


def tau_logistic_ms(
    time_ms: FloatArray, pressure: FloatArray, inside: Mask, repeats: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Logistic tau, ms, and PB, mmHg; t = 0 at dP/dtmin; shapes as in :func:`tau_zero_asymptote_ms`."""
    return _fit(_logistic, time_ms, pressure, inside, repeats)
