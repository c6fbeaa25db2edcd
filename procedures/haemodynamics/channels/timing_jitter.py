"""Timing jitter: samples that were not taken at the times they stand for."""

from __future__ import annotations

import numpy as np

from ..results import QualityNote
from ..signals import FloatArray

TOLERATED_SHARE = 0.2
SMALLEST_S = 0.0002


def _timing_jitter_s(x: FloatArray, sample_rate_hz: float) -> float:
    """SD of the sampling times about their even grid, s, as the noise of steep stretches over that of level ones tells.

    A sample taken late by j reads x + j·dx/dt, so jitter makes noise in proportion to the slope. Noise is told from the
    signal by its fourth difference, which has an SD of the root of 70 for white noise of SD 1.
    """
    if x.size < 4 * sample_rate_hz or not np.isfinite(x).all():
        return 0.0
    fourth = np.abs(np.diff(x, 4)) / np.sqrt(70.0)
    reach = max(round(0.004 * sample_rate_hz), 1)
    slope = np.zeros(x.size)
    slope[reach:-reach] = np.abs(x[2 * reach :] - x[: -2 * reach]) * sample_rate_hz / (2 * reach)
    slope = slope[2:-2]
    top = float(np.percentile(slope, 99))
    steep, level = slope > 0.5 * top, slope < 0.05 * top
    if not top > 0 or steep.sum() < 100 or level.sum() < 100:
        return 0.0
    ratio = float(np.median(fourth[steep] / slope[steep])) / 0.6745
    moves = np.abs(np.diff(x))
    # rounding to a converter's coarse steps shows on steep stretches, not where the signal rests, and is not white
    rounding = 3 * float(moves[moves > 0].min(initial=np.inf)) / np.sqrt(12.0)
    base = max(float(np.median(fourth[level])) / 0.6745, rounding) / float(np.median(slope[steep]))
    return float(np.sqrt(max(ratio**2 - base**2, 0.0)))


def _timing_notes(x: FloatArray, sample_rate_hz: float) -> list[QualityNote]:
    """A note where the jitter of the pressure exceeds a fifth of the sampling interval."""
    jitter = _timing_jitter_s(x, sample_rate_hz)
    if jitter <= max(TOLERATED_SHARE / sample_rate_hz, SMALLEST_S):
        return []
    text = (
        f"Samples seem to be taken up to some {1000 * jitter:.1f} ms off their times (SD): the clock of the recorder "
        "jitters, which adds noise where the pressure is steep and makes dP/dt unreliable."
    )
    return [QualityNote("timing_jitter", text, "P_LV")]
