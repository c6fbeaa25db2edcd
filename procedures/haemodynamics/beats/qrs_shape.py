"""The shape of each beat's QRS, to tell ectopic beats from the others."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..signals import FloatArray
from ..windows import IntArray, _block_means

SHAPE_HZ = 100.0
BEFORE_S, AFTER_S = 0.10, 0.16
MOST_LEADS = 4
POINTS = round((BEFORE_S + AFTER_S) * SHAPE_HZ)


def _qrs_shapes(
    ecg: FloatArray | None, mark: FloatArray, has_r: NDArray[np.bool_], sample_rate_hz: float
) -> NDArray[np.float32]:
    """Samples of up to four leads about each R wave at 100 Hz, each lead less its own mean.

    Returns
    -------
    numpy.ndarray
        Shape (beats, 4 · 26); NaN where there is no R wave, zero for leads that are not there.
    """
    shapes = np.full((mark.size, MOST_LEADS * POINTS), np.nan, dtype=np.float32)
    if ecg is None or not has_r.any():
        return shapes
    factor = max(round(sample_rate_hz / SHAPE_HZ), 1)
    rate = sample_rate_hz / factor
    step = np.round(np.arange(POINTS) / SHAPE_HZ * rate).astype(np.int64) - round(BEFORE_S * rate)
    centre: IntArray = np.round(mark[has_r] / factor).astype(np.int64)
    chosen = np.linspace(0, ecg.shape[0] - 1, min(MOST_LEADS, ecg.shape[0])).round().astype(np.int64)
    shapes[has_r] = 0.0
    for place, lead in enumerate(ecg[chosen]):
        reduced = np.nan_to_num(_block_means(lead, factor))
        if reduced.size == 0:
            continue
        cut = reduced[np.clip(centre[:, None] + step, 0, reduced.size - 1)]
        shapes[has_r, place * POINTS : (place + 1) * POINTS] = cut - cut.mean(axis=1, keepdims=True)
    return shapes


def _likeness(shapes: NDArray[Any], template: NDArray[Any]) -> FloatArray:
    """Correlation of each shape with a template, the best of a shift by −2 to 2 samples (20 ms); NaN without QRS."""
    best = np.full(shapes.shape[0], -np.inf)
    leads = template.reshape(MOST_LEADS, POINTS)
    rows = shapes.reshape(-1, MOST_LEADS, POINTS)
    for shift in range(-2, 3):
        moved = np.roll(leads, shift, axis=1)[:, 2:-2]
        cut = rows[:, :, 2:-2]
        with np.errstate(invalid="ignore", divide="ignore"):
            product = (cut * moved).sum(axis=(1, 2))
            power = np.sqrt((cut**2).sum(axis=(1, 2)) * (moved**2).sum())
            best = np.fmax(best, product / power)
    return np.where(np.isfinite(best), best, np.nan)
