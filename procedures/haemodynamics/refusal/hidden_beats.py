"""Contractions too weak or too early to be found as beats, seen in the pressure of diastole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..beats.cycles import Cycles
from ..settings import Settings
from ..signals import FloatArray
from ..windows import IntArray, _blocks, _gather

RELAXED_S = 0.25
BEFORE_NEXT_S = 0.02


def _hidden_contractions(
    smooth: FloatArray, cycles: Cycles, minimum: IntArray, settings: Settings, sample_rate_hz: float
) -> NDArray[np.bool_]:
    """Beats in whose diastole the pressure rises clear above the end-diastolic one and falls again.

    In a quiet diastole nothing stands much above the pressure at its end: the wave of the atrium comes just before.
    """
    next_onset = cycles.next_onset.astype(np.int64)
    start = np.minimum(minimum + round(0.06 * sample_rate_hz), next_onset)
    stop = np.maximum(next_onset - round(BEFORE_NEXT_S * sample_rate_hz), start)
    relaxed = round(RELAXED_S * sample_rate_hz)
    height = np.zeros(cycles.count)
    pulse = np.zeros(cycles.count)
    for block in _blocks(cycles.count):
        values, inside = _gather(smooth, start[block], stop[block])
        early = inside & (np.arange(values.shape[1]) < relaxed)
        # Everything before the first low point belongs to relaxation.
        low = np.where(early, values, np.inf).argmin(axis=1)
        later = inside & (np.arange(values.shape[1]) > low[:, None])
        end = smooth[np.clip(next_onset[block], 0, smooth.size - 1)]
        height[block] = np.where(later, values, -np.inf).max(axis=1, initial=-np.inf) - end
        whole, within = _gather(smooth, cycles.onset[block].astype(np.int64), next_onset[block])
        pulse[block] = np.where(within, whole, -np.inf).max(axis=1) - np.where(within, whole, np.inf).min(axis=1)
    wanted = np.maximum(settings.hidden_rise_mmhg, settings.hidden_rise_fraction * pulse)
    return np.asarray(height > wanted)
