"""Whether the epochs of a session begin before the heart has settled under the new pacing, and how fast it does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from procedures.acute_response.values import BoolArray, FloatArray, IntArray

# Time constants looked for. After a change of pacing a first response within some beats is followed by the vessels'
# own over ten seconds and more (Whinnett et al., Heart 2006 [from memory]); slower ones look like a trend, which is
# said.
_TIME_CONSTANTS_S = (2.0, 2.6, 3.3, 4.2, 5.2, 6.3, 7.5, 8.8, 10.2, 11.8, 13.6, 15.6, 18.0, 21.0)
_FEWEST_BEATS = 8
# The epochs together must show more than this many standard deviations of what chance would show (project choice).
_SURE_SD = 4.0
_NEGLIGIBLE = 0.01


@dataclass(frozen=True)
class Approach:
    """One time constant: its shape ``(epochs, beats)``, 1 at the start of an epoch and falling to 0; its weight."""

    time_constant_s: float
    shape: FloatArray
    weight: float


def _without_settling(since_start: FloatArray, centred: FloatArray, valid: BoolArray, counts: IntArray) -> FloatArray:
    """Beats less the approach that explains most of them, whether it is more than chance or not; same shapes."""
    left = [
        np.where(valid, centred - (amplitude[:, None] * shape), 0.0)
        for shape, amplitude, _ in (_approach(s, since_start, centred, valid, counts) for s in _TIME_CONSTANTS_S)
    ]
    least: FloatArray = min(left, key=lambda rest: float((rest**2).sum()))
    return least


def _approach(
    time_constant: float, since_start: FloatArray, residual: FloatArray, valid: BoolArray, counts: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The centred shape ``(epochs, beats)``, and its amplitude and sum of squares in each epoch ``(epochs,)``."""
    shape = np.where(valid, np.exp(-since_start / time_constant), 0.0)
    shape = np.where(valid, shape - (shape.sum(1) / counts)[:, None], 0.0)
    squares = (shape**2).sum(1)
    return shape, (shape * residual).sum(1) / np.maximum(squares, 1e-300), squares


def _find_settling(
    since_start: FloatArray, residual: FloatArray, valid: BoolArray, counts: IntArray, noise: FloatArray
) -> list[Approach]:
    """Look for an exponential approach that starts with each epoch; empty where the epochs show none.

    Parameters
    ----------
    since_start
        Seconds from an epoch's first beat, padded; shape ``(epochs, beats)``.
    residual
        Beats less the epoch's mean and breathing; zero where not ``valid``; same shape.
    counts
        Beats of each epoch; shape ``(epochs,)``.
    noise
        Variance of a single beat, grown by as much as neighbouring beats are alike; shape ``(epochs,)``.

    Returns
    -------
    list of Approach
        The time constants that the epochs allow, with weights that add up to 1.
    """
    used = (counts >= _FEWEST_BEATS) & (np.ptp(since_start, axis=1) > 0)
    n = float(used.sum())
    if n < 2:
        return []
    scores = np.empty(len(_TIME_CONSTANTS_S))
    for i, time_constant in enumerate(_TIME_CONSTANTS_S):
        _, amplitude, squares = _approach(time_constant, since_start, residual, valid, counts)
        scores[i] = (amplitude[used] ** 2 * squares[used] / noise[used]).sum()
    if scores.max() < n + _SURE_SD * np.sqrt(2.0 * n):
        return []
    weights = np.exp(0.5 * (scores - scores.max()))
    weights /= weights.sum()
    kept = np.flatnonzero(weights > _NEGLIGIBLE)
    return [
        Approach(
            _TIME_CONSTANTS_S[i],
            np.where(valid, np.exp(-since_start / _TIME_CONSTANTS_S[i]), 0.0),
            float(weights[i] / weights[kept].sum()),
        )
        for i in kept
    ]
