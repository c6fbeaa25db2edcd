"""From beats to one mean per epoch with its standard error: breathing taken out, correlation allowed for.

All epochs of a session are handled together in one padded array; nothing loops over beats. Within an epoch

    y(t) = mean + a cos(2 pi f t) + b sin(2 pi f t) + noise

with one breathing frequency ``f`` per session (the peak of the pooled periodogram), amplitudes ``a, b`` per epoch
drawn to zero by as much as the noise warrants (ridge, the best linear unbiased predictor of a random
amplitude), and noise that may be correlated from beat to beat (lag-one coefficient pooled over epochs; the
variance of the mean grows by (1 + phi) / (1 - phi)). Single far-out beats are pulled in to 2.8 robust SDs
(Huber's one-step estimate) so that a heavy tail does not carry an epoch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from procedures.acute_response.values import FloatArray

_BREATHS_PER_S = np.linspace(0.08, 0.50, 29)  # 5 to 30 breaths a minute
_POOLING_BEATS = 10.0  # an epoch's own noise variance counts against the session's as if that had 10 beats
_HUBER_SD = 2.8


@dataclass(frozen=True)
class EpochMeans:
    """Arrays over epochs, on the scale of the input; ``variance`` is that of the mean.

    ``trend`` is the change from start to end of the epoch with ``trend_error`` its standard error;
    ``breaths`` the number of breaths the epoch spans (NaN when no breathing was found).
    """

    mean: FloatArray
    variance: FloatArray
    trend: FloatArray
    trend_error: FloatArray
    breaths: FloatArray
    breath_frequency_hz: float | None


def epoch_means(times: Sequence[FloatArray], values: Sequence[FloatArray], beat_sd: float) -> EpochMeans:
    """Reduce the beats of each epoch to a mean and the variance of that mean.

    Parameters
    ----------
    times, values
        For each epoch the beat times in seconds and the (log) values, shape ``(beats,)``; at least one beat each.
    beat_sd
        Spread of single beats to assume where there are too few to see it, on the scale of ``values``.

    Returns
    -------
    EpochMeans
        Arrays of shape ``(epochs,)``.
    """
    counts = np.array([len(v) for v in values])
    epochs, width = len(counts), int(counts.max())
    valid = np.arange(width) < counts[:, None]
    t, y = np.zeros((epochs, width)), np.zeros((epochs, width))
    t[valid], y[valid] = np.concatenate(times), np.concatenate(values)
    start, end = t[:, 0], t[np.arange(epochs), counts - 1]
    duration = end - start
    t = np.where(valid, t - 0.5 * (start + end)[:, None], 0.0)
    plain = y.sum(1) / counts
    centred = np.where(valid, y - plain[:, None], 0.0)

    frequency, wave = _breathing(t, centred, valid, counts, duration)
    design = np.stack([valid.astype(float), wave.real, wave.imag], axis=2)  # (epochs, beats, 3)
    gram = np.matmul(design.transpose(0, 2, 1), design)
    ridge = _ridge(design, gram, centred, counts, frequency is not None)
    gram_ridge = gram + ridge * np.diag([0.0, 1.0, 1.0])
    inverse = np.linalg.inv(gram_ridge)

    def solve(target: FloatArray) -> tuple[FloatArray, FloatArray]:
        weights = np.matmul(inverse, np.matmul(design.transpose(0, 2, 1), target[:, :, None]))
        return weights[:, 0, 0], np.matmul(design, weights)[:, :, 0]

    offset, fitted = solve(centred)
    residual = np.where(valid, centred - fitted, 0.0)
    scale = 1.4826 * float(np.median(np.abs(residual[valid]))) if counts.max() > 3 else 0.0
    if scale > 0 and np.abs(residual).max() > _HUBER_SD * scale:
        bound = _HUBER_SD * scale * max(1.0, float(np.sqrt(counts.sum() / max(counts.sum() - 3 * epochs, 1))))
        offset, fitted = solve(fitted + np.clip(residual, -bound, bound))
        residual = np.where(valid, np.clip(centred - fitted, -bound, bound), 0.0)

    variance_beat, inflation = _noise(residual, valid, counts, frequency is not None, beat_sd)
    variance = inverse[:, 0, 0] * variance_beat * inflation
    spread_t = np.where(valid, t * t, 0.0).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(valid, t * residual, 0.0).sum(1) / spread_t
        slope_error = np.sqrt(variance_beat * inflation / spread_t)
    return EpochMeans(
        mean=plain + offset,
        variance=variance,
        trend=np.where(counts > 3, slope * duration, 0.0),
        trend_error=np.where(counts > 3, slope_error * duration, np.inf),
        breaths=duration * frequency if frequency is not None else np.full(epochs, np.nan),
        breath_frequency_hz=frequency,
    )


def _breathing(
    t: FloatArray, centred: FloatArray, valid: FloatArray, counts: FloatArray, duration: FloatArray
) -> tuple[float | None, FloatArray]:
    """Return the session's breathing frequency (None if there is no clear one) and the rotating wave at it."""
    flat = np.zeros(t.shape, complex)
    long_enough = (counts >= 6) & (duration > 0)
    if not long_enough.any():
        return None, flat
    beat_rate = float(np.median((counts[long_enough] - 1) / duration[long_enough]))
    grid = _BREATHS_PER_S[0.45 * beat_rate > _BREATHS_PER_S]
    if grid.size < 2:
        return None, flat
    # One complex multiplication per frequency instead of a sine: the grid is evenly spaced.
    step = np.exp(2j * np.pi * (grid[1] - grid[0]) * t)
    wave = np.exp(2j * np.pi * grid[0] * t)
    used = centred * long_enough[:, None]
    power = np.empty(grid.size)
    for k in range(grid.size):
        power[k] = (np.abs((used * wave).sum(1)) ** 2 * 2.0 / counts).sum()
        wave = wave * step
    total = float((used * used).sum())
    best = int(power.argmax())
    # Under pure noise a two-parameter wave per epoch explains 2/(n-1) of the scatter; ask for clearly more.
    expected = float((2.0 / (counts[long_enough] - 1)).mean())
    if total <= 0 or power[best] / total < min(0.9, 1.5 * expected + 0.05):
        return None, flat
    frequency = float(grid[best])
    return frequency, np.where(valid, np.exp(2j * np.pi * frequency * t), 0.0)


def _ridge(
    design: FloatArray, gram: FloatArray, centred: FloatArray, counts: FloatArray, found: bool
) -> FloatArray | float:
    """Noise variance over variance of one amplitude, by the moments of the explained sum of squares."""
    if not found:
        return 1e9
    waves = design[:, :, 1:]
    explained = (np.matmul(waves.transpose(0, 2, 1), centred[:, :, None])[:, :, 0] ** 2).sum(1) * 2.0 / counts
    total = (centred**2).sum(1)
    enough = counts >= 6
    noise = max(float((total - explained)[enough].sum() / np.maximum(counts - 3, 1)[enough].sum()), 1e-12)
    amplitude = max(float(((explained - 2.0 * noise) / counts)[enough].mean()), 1e-9 * noise)
    return noise / amplitude


def _noise(
    residual: FloatArray, valid: FloatArray, counts: FloatArray, breathing: bool, beat_sd: float
) -> tuple[FloatArray, float]:
    """Beat variance per epoch (drawn to the pooled one) and the inflation for correlated beats."""
    squares = (residual**2).sum(1)
    lost = 3.0 if breathing else 1.0
    freedom = float(np.maximum(counts - lost, 0.0).sum())
    pooled = (float(squares.sum()) + 2.0 * beat_sd**2) / (freedom + 2.0)
    own = (_POOLING_BEATS * pooled + squares) / (_POOLING_BEATS + np.maximum(counts - lost, 0.0))
    pairs = valid[:, 1:] & valid[:, :-1]
    denominator = float((residual[:, :-1] ** 2 * pairs).sum())
    if denominator <= 0:
        return own, 1.0
    lag_one = float((residual[:, 1:] * residual[:, :-1] * pairs).sum()) / denominator
    # Fitting a mean (and a wave) makes residuals look anti-correlated by about lost/n; give that back.
    lag_one += lost / float(counts.mean()) * 0.5
    lag_one = min(max(lag_one, 0.0), 0.8)
    return own, (1.0 + lag_one) / (1.0 - lag_one)
