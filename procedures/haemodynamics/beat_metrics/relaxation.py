"""Time constants of isovolumic relaxation, three ways, for all beats at once.

All three use the samples from dP/dtmin to the moment when pressure has fallen to the next beat's end-diastolic
pressure plus a margin (5 mmHg by default; common practice, from memory).

- zero asymptote: slope of ln P on t is −1/tau (Weiss et al., J Clin Invest 1976;58:751, from memory)
- free asymptote: P = (P0 − Pinf)·exp(−t/tau) + Pinf by least squares on pressure (Am J Physiol 2001;280:H2936)
- logistic: P = PA/(1 + exp(t/tauL)) + PB (Matsubara et al., Circulation 1995;92:2318; abstract read,
  formula from memory)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..signals import FloatArray

Mask = NDArray[np.bool_]
Model = Callable[[FloatArray, FloatArray], FloatArray]
Slopes = Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
MINIMUM_SAMPLES = 6
SHORTEST_MS, LONGEST_MS = 3.0, 400.0
STEPS = 10


def tau_zero_asymptote_ms(time_ms: FloatArray, pressure: FloatArray, inside: Mask) -> FloatArray:
    """Time constant under an asymptote of zero: ln P on t.

    Parameters
    ----------
    time_ms
        Time from dP/dtmin, ms, shape (samples,).
    pressure, inside
        Pressures, mmHg, and which of them belong to the window, shape (beats, samples).

    Returns
    -------
    ndarray
        tau in ms, shape (beats,); NaN with fewer than six positive samples or when pressure does not fall. A pressure
        that is NaN is left out.

    References
    ----------
    Weiss et al., J Clin Invest 1976;58:751 (from memory).
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


def _exponential(time_ms: FloatArray, tau: FloatArray) -> FloatArray:
    """Shape exp(−t/tau)."""
    return np.asarray(np.exp(time_ms / -tau[:, None]))


def _logistic(time_ms: FloatArray, tau: FloatArray) -> FloatArray:
    """Shape 1/(1 + exp(t/tau))."""
    return np.asarray(1.0 / (1.0 + np.exp(np.minimum(time_ms / tau[:, None], 700.0))))


def _exponential_slopes(shape: FloatArray, rate: FloatArray, tau: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First and second derivative by tau of the exponential shape; ``rate`` is t/tau²."""
    first = shape * rate
    return first, first * (rate - 2 / tau[:, None])


def _logistic_slopes(shape: FloatArray, rate: FloatArray, tau: FloatArray) -> tuple[FloatArray, FloatArray]:
    """As :func:`_exponential_slopes`, of the logistic shape."""
    first = shape * (1.0 - shape) * rate
    return first, first * ((1.0 - 2.0 * shape) * rate - 2 / tau[:, None])


@dataclass(frozen=True)
class _Sums:
    """What the sums over the window of each beat need again and again: weights, pressures about their mean."""

    weight: FloatArray
    pressure: FloatArray
    count: FloatArray
    mean: FloatArray
    power: FloatArray

    @classmethod
    def of(cls, pressure: FloatArray, inside: Mask) -> _Sums:
        weight = inside.astype(float)
        count = weight.sum(axis=1)
        mean = np.einsum("bt,bt->b", weight, pressure) / count
        centred = weight * (pressure - mean[:, None])
        return cls(weight, centred, count, mean, np.einsum("bt,bt->b", centred, centred))

    def line(self, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Best amplitude and offset for one (weighted) shape per beat, and the squared error left."""
        mean = shape.sum(axis=1) / self.count
        shared = np.einsum("bt,bt->b", shape, self.pressure)
        spread = np.einsum("bt,bt->b", shape, shape) - self.count * mean**2
        amplitude = shared / np.where(spread > 0, spread, np.nan)
        return amplitude, self.mean - amplitude * mean, self.power - amplitude * shared


def _curvature_bias(
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
    jacobian = np.stack((shape, amplitude[:, None] * first, np.ones_like(shape)), axis=1) * weight[:, None]
    normal = np.matmul(jacobian, jacobian.transpose(0, 2, 1))
    scale = np.sqrt(np.einsum("bii->bi", normal))
    alike = normal / (scale[:, :, None] * scale[:, None, :])
    good = np.isfinite(alike).all(axis=(1, 2))
    good &= np.linalg.det(np.where(good[:, None, None], alike, 0.0)) > 1e-12
    inverse = np.linalg.inv(np.where(good[:, None, None], normal, np.eye(3)))
    trace = 2 * inverse[:, 0, 1, None] * first + inverse[:, 1, 1, None] * amplitude[:, None] * second
    variance = error / np.maximum(weight.sum(axis=1) - 3, 1)
    pull = np.matmul(jacobian, (weight * trace)[:, :, None])[:, :, 0]
    bias = -0.5 * variance * np.einsum("bi,bi->b", inverse[:, 1], pull)
    return np.where(good, bias, 0.0)


def _coarse_tau(model: Model, time_ms: FloatArray, sums: _Sums) -> FloatArray:
    """Best of 25 time constants for each beat, ms.

    Windows begin at the first sample, so the sums of a candidate's shape depend on the window's length alone.
    """
    candidates = np.geomspace(SHORTEST_MS, LONGEST_MS, 25)
    shapes = model(time_ms, candidates)
    length = np.maximum(sums.count.astype(np.int64), 1) - 1
    total, power = np.cumsum(shapes, axis=1)[:, length], np.cumsum(shapes**2, axis=1)[:, length]
    shared = np.einsum("ct,bt->cb", shapes, sums.pressure)
    spread = power - total**2 / sums.count
    gain = np.where(spread > 0, shared**2 / np.where(spread > 0, spread, 1.0), 0.0)
    return np.asarray(candidates[gain.argmax(axis=0)])


def _fit(
    model: Model, slopes: Slopes, time_ms: FloatArray, pressure: FloatArray, inside: Mask, repeats: int
) -> tuple[FloatArray, FloatArray]:
    """Separable least squares: amplitude and offset are linear, so only tau is searched for.

    The best of a grid over tau, then damped Gauss-Newton steps on the projected residual until none moves tau by a
    millionth; at last the bias by curvature is taken off. Returns tau and offset, shape (beats,). ``repeats``:
    samples for each independent one, above 1 where they were interpolated.
    """
    enough = inside.sum(axis=1) >= MINIMUM_SAMPLES
    result = np.full((2, inside.shape[0]), np.nan)
    if not enough.any():
        return result[0], result[1]
    inside, pressure = inside[enough], pressure[enough]
    sums = _Sums.of(pressure, inside)
    weight = sums.weight
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        tau = _coarse_tau(model, time_ms, sums)
        shape = weight * model(time_ms, tau)
        amplitude, offset, error = sums.line(shape)
        damping = np.ones(tau.size)
        for _ in range(STEPS):
            first, _ = slopes(shape, time_ms / tau[:, None] ** 2, tau)
            mean_s, mean_f = shape.sum(axis=1) / sums.count, first.sum(axis=1) / sums.count
            shape_power = np.einsum("bt,bt->b", shape, shape) - sums.count * mean_s**2
            shared = np.einsum("bt,bt->b", shape, first) - sums.count * mean_s * mean_f
            free = np.einsum("bt,bt->b", first, first) - sums.count * mean_f**2 - shared**2 / shape_power
            # the residual is orthogonal to the shape and to a constant, so of the direction only ``first`` is left
            pull = np.einsum("bt,bt->b", first, sums.pressure) - amplitude * shared
            step = damping * pull / (amplitude * free)
            step = np.clip(np.nan_to_num(step), -0.4 * tau, 0.6 * tau)
            trial = np.clip(tau + step, SHORTEST_MS, LONGEST_MS)
            shape_t = weight * model(time_ms, trial)
            amplitude_t, offset_t, error_t = sums.line(shape_t)
            better = error_t < error
            tau, error = np.where(better, trial, tau), np.where(better, error_t, error)
            amplitude, offset = np.where(better, amplitude_t, amplitude), np.where(better, offset_t, offset)
            shape = np.where(better[:, None], shape_t, shape)
            damping = np.where(better, 1.0, 0.3 * damping)
            if not (np.abs(step) > 1e-6 * tau).any():
                break
        first, second = slopes(shape, time_ms / tau[:, None] ** 2, tau)
        residual = np.maximum(error, 0.0)
        bias = repeats * _curvature_bias(shape, first, second, amplitude, weight, residual)
    inner = (tau > 1.01 * SHORTEST_MS) & (tau < 0.99 * LONGEST_MS)
    good = (amplitude > 0) & np.isfinite(error) & inner
    tau = tau - np.clip(np.nan_to_num(bias), -0.5 * tau, 0.5 * tau)
    result[:, enough] = np.where(good, (tau, offset), np.nan)
    return result[0], result[1]


def tau_exponential_ms(
    time_ms: FloatArray, pressure: FloatArray, inside: Mask, repeats: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Time constant under a free asymptote: P = (P0 − Pinf)·exp(−t/tau) + Pinf.

    Parameters
    ----------
    time_ms
        Time from dP/dtmin, ms, shape (samples,).
    pressure, inside
        Pressures, mmHg, and which of them belong to the window, shape (beats, samples).
    repeats
        Samples for each independent one, above 1 where they were interpolated.

    Returns
    -------
    tau, offset
        tau in ms and Pinf in mmHg, shape (beats,); NaN with fewer than six samples, with a pressure of NaN in the
        window, or where the fit does not settle.

    References
    ----------
    Am J Physiol 2001;280:H2936.
    """
    return _fit(_exponential, _exponential_slopes, time_ms, pressure, inside, repeats)


def tau_logistic_ms(
    time_ms: FloatArray, pressure: FloatArray, inside: Mask, repeats: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Logistic time constant: P = PA/(1 + exp(t/tau)) + PB, with t = 0 at dP/dtmin.

    Parameters
    ----------
    time_ms
        Time from dP/dtmin, ms, shape (samples,).
    pressure, inside
        Pressures, mmHg, and which of them belong to the window, shape (beats, samples).
    repeats
        Samples for each independent one, above 1 where they were interpolated.

    Returns
    -------
    tau, offset
        tau in ms and PB in mmHg, shape (beats,); NaN with fewer than six samples, with a pressure of NaN in the
        window, or where the fit does not settle.

    References
    ----------
    Matsubara et al., Circulation 1995;92:2318 (abstract read; formula from memory).
    """
    return _fit(_logistic, _logistic_slopes, time_ms, pressure, inside, repeats)
