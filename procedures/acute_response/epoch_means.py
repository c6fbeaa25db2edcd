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

from dataclasses import dataclass

import numpy as np

from procedures.acute_response.beats import Beats
from procedures.acute_response.breathing import _find_breathing
from procedures.acute_response.settling import _find_settling, _without_settling
from procedures.acute_response.values import BoolArray, FloatArray, IntArray

_POOLING_BEATS = 10.0  # an epoch's own noise variance counts against the session's as if that had 10 beats
_HUBER_SD = 2.8
_WILD_SD = 4.5


@dataclass(frozen=True)
class EpochMeans:
    """Arrays over epochs, on the scale of the input; ``variance`` is that of the mean.

    ``trend`` is the change from start to end of the epoch with ``trend_error`` its standard error;
    ``breaths`` the number of breaths the epoch spans (NaN when no breathing was found). ``settling_s`` is the time
    constant of the settling that was found and taken out of the means, None where there was none; ``shared``
    ``(epochs, k)`` then holds errors that all means have in common, each column one of variance 1.
    """

    mean: FloatArray
    variance: FloatArray
    trend: FloatArray
    trend_error: FloatArray
    breaths: FloatArray
    breath_frequency_hz: float | None
    settling_s: float | None
    shared: FloatArray


def _epoch_means(beats: Beats, values: FloatArray, beat_sd: float) -> EpochMeans:
    """Reduce the beats of each epoch to a mean and the variance of that mean.

    Parameters
    ----------
    beats
        Times and counts of the beats.
    values
        The value of each beat on the model's scale (log, or relative to baseline); shape ``(beats,)``.
    beat_sd
        Spread of single beats to assume where there are too few to see it, on the scale of ``values``.

    Returns
    -------
    EpochMeans
        Arrays of shape ``(epochs,)``.
    """
    counts = beats.counts
    epochs, width = counts.size, int(counts.max())
    valid = np.arange(width) < counts[:, None]
    t, y = np.zeros((epochs, width)), np.zeros((epochs, width))
    t[valid], y[valid] = beats.times, values
    start, end = t[:, 0], t[np.arange(epochs), counts - 1]
    duration = end - start
    t = np.where(valid, t - 0.5 * (start + end)[:, None], 0.0)
    middle = _medians(y, valid, counts)
    centred = np.where(valid, y - middle[:, None], 0.0)
    # Wild beats (ectopy that was not refused) must not decide where breathing and mean are looked for.
    spread = 1.4826 * float(np.median(np.abs(centred[valid])))
    if spread > 0:
        centred = np.clip(centred, -_WILD_SD * spread, _WILD_SD * spread)
    rest = centred.sum(1) / counts
    middle, centred = middle + rest, np.where(valid, centred - rest[:, None], 0.0)

    since_start = np.where(valid, t - t[:, :1], 0.0)
    # A slow approach at the start of epochs must not pass for slow breathing.
    frequency = _find_breathing(t, _without_settling(since_start, centred, valid, counts), counts, duration)
    wave = np.where(valid, np.exp(2j * np.pi * frequency * t), 0.0) if frequency else np.zeros(t.shape, complex)
    design = np.stack([valid.astype(float), wave.real, wave.imag], axis=2)  # (epochs, beats, 3)
    gram = np.matmul(design.transpose(0, 2, 1), design)
    ridge = _ridge(design, gram, centred, counts, frequency is not None)
    reduced = _solve(design, np.array([0.0, ridge, ridge]), centred, valid, counts)
    variance_beat, inflation = _noise(reduced.residual, valid, counts, frequency is not None, beat_sd)
    settling = _find_settling(since_start, reduced.residual, valid, counts, variance_beat * inflation)
    trended = reduced.residual
    offset, unit_variance = reduced.offset, reduced.unit_variance
    shared = np.zeros((epochs, 0))
    if settling:
        ways = [
            _solve(
                np.concatenate([design, way.shape[:, :, None]], axis=2),
                np.array([0.0, ridge, ridge, 0.0]), centred, valid, counts,
            )
            for way in settling
        ]  # fmt: skip
        weights = np.array([way.weight for way in settling])
        offsets = np.stack([way.offset for way in ways], axis=1)
        offset, unit_variance = offsets @ weights, np.stack([way.unit_variance for way in ways], axis=1) @ weights
        # How fast it settles is the same guess for every epoch, and so is what is wrong with it.
        shared = (offsets - offset[:, None]) * np.sqrt(weights)
        variance_beat, inflation = _noise(
            ways[int(weights.argmax())].residual, valid, counts, frequency is not None, beat_sd
        )
    variance = unit_variance * variance_beat * inflation
    spread_t = np.where(valid, t * t, 0.0).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(valid, t * trended, 0.0).sum(1) / spread_t
        trend_error = np.sqrt(variance_beat * inflation / spread_t) * duration
    return EpochMeans(
        mean=middle + offset,
        variance=variance,
        trend=np.where((counts > 3) & (duration > 0), slope * duration, 0.0),
        trend_error=np.where((counts > 3) & (duration > 0), trend_error, np.inf),
        breaths=duration * frequency if frequency is not None else np.full(epochs, np.nan),
        breath_frequency_hz=frequency,
        settling_s=max(settling, key=lambda way: way.weight).time_constant_s if settling else None,
        shared=shared,
    )


@dataclass(frozen=True)
class _Reduced:
    """``offset`` of each epoch's level from its middle, ``unit_variance`` of it for noise of 1, and what is left."""

    offset: FloatArray
    unit_variance: FloatArray
    residual: FloatArray


def _solve(design: FloatArray, ridge: FloatArray, centred: FloatArray, valid: BoolArray, counts: IntArray) -> _Reduced:
    """Fit the columns of ``design`` ``(epochs, beats, columns)`` to each epoch, with far-out beats pulled in."""
    epochs, width = valid.shape
    across = design.transpose(0, 2, 1)
    inverse = np.linalg.inv(np.matmul(across, design) + np.diag(ridge))

    def solve(target: FloatArray) -> tuple[FloatArray, FloatArray]:
        weights = np.matmul(inverse, np.matmul(across, target[:, :, None]))
        return weights[:, 0, 0], np.matmul(design, weights)[:, :, 0]

    offset, fitted = solve(centred)
    residual = np.where(valid, centred - fitted, 0.0)
    scale = 1.4826 * float(np.median(np.abs(residual[valid]))) if width > 3 else 0.0
    if scale > 0 and np.abs(residual).max() > _HUBER_SD * scale:
        bound = _HUBER_SD * scale * max(1.0, float(np.sqrt(counts.sum() / max(counts.sum() - 3 * epochs, 1))))
        offset, fitted = solve(fitted + np.clip(residual, -bound, bound))
        residual = np.where(valid, np.clip(centred - fitted, -bound, bound), 0.0)
    return _Reduced(offset, inverse[:, 0, 0], residual)


def _medians(y: FloatArray, valid: BoolArray, counts: IntArray) -> FloatArray:
    in_order = np.sort(np.where(valid, y, np.inf), axis=1)
    rows = np.arange(counts.size)
    return 0.5 * (in_order[rows, (counts - 1) // 2] + in_order[rows, counts // 2])


def _ridge(
    design: FloatArray, gram: FloatArray, centred: FloatArray, counts: IntArray, found: bool
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
    residual: FloatArray, valid: BoolArray, counts: IntArray, breathing: bool, beat_sd: float
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
