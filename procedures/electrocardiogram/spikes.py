"""Pacing stimuli on the surface leads: found, timed and blanked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from .ecg import FloatArray, IntArray

# A stimulus lasts 0.1 to 2 ms at the lead and up to 5 ms after a recorder's low-pass (common practice, no source).
_WIDEST_MS = 5.0
_SMALLEST_MV = 0.08
_NOISE_RATIO = 8.0
# How far a spike stands out, against the slope of what surrounds it: a peaked R wave between two steep limbs
# stands out by at most half the window of the median, 5.5 ms.
_OUT_OF_SLOPE_MS = 8.0
_JOIN_MS = 8.0


@dataclass(frozen=True, eq=False)
class Spikes:
    """Stimuli in samples: the steepest point, and the half-open range that is blanked."""

    at: IntArray
    first: IntArray
    last: IntArray
    size_mv: FloatArray


def find_spikes(samples_mv: FloatArray, sample_rate_hz: float) -> Spikes:
    """Find deflections too brief to be cardiac.

    What a running median of 11 ms removes is compared with the noise of the record and with the slope of the
    signal around it; a stimulus stands out from both, a peaked R wave only from the first.

    Parameters
    ----------
    samples_mv : (n_leads, n) float64
        Independent leads without gaps, mV.
    sample_rate_hz
        Samples per second.

    Returns
    -------
    Spikes
        Places and widths of the stimuli, in samples; none where nothing stands out.

    Notes
    -----
    The leads hold no NaN: gaps were filled before. The detector is our own definition.
    """
    per_ms = sample_rate_hz / 1000.0
    window = 2 * max(round((_WIDEST_MS + 0.5) * per_ms), 1) + 1
    # row by row: SciPy's filter for one dimension is several times faster than the one for more
    median = np.stack([ndimage.median_filter(lead, size=window, mode="nearest") for lead in samples_mv])
    excess = np.sqrt(np.sum((samples_mv - median) ** 2, axis=0))
    slope = np.sqrt(np.sum(np.gradient(median, axis=1) ** 2, axis=0)) * per_ms  # mV/ms
    near, far = max(round(3 * per_ms), 1), max(round(14 * per_ms), 3)
    around = ndimage.maximum_filter1d(slope, 2 * far + 1)
    noise = float(np.median(excess)) + 1e-6
    threshold = np.maximum(max(_NOISE_RATIO * noise, _SMALLEST_MV), _OUT_OF_SLOPE_MS * around)
    above = np.flatnonzero(excess > threshold)
    if not above.size:
        empty = np.empty(0, dtype=np.int64)
        return Spikes(empty, empty, empty, np.empty(0))
    groups = np.split(above, np.flatnonzero(np.diff(above) > _JOIN_MS * per_ms) + 1)
    at = np.array([group[np.argmax(excess[group])] for group in groups], dtype=np.int64)
    # the blanked range takes in the flanks, down to the noise
    labels, _ = ndimage.label(excess > 3 * noise)
    reach = near + round(_WIDEST_MS * per_ms)
    first, last = np.empty_like(at), np.empty_like(at)
    for i, group in enumerate(groups):
        begin, end = max(group[0] - reach, 0), min(group[-1] + reach + 1, excess.size)
        same = np.flatnonzero(np.isin(labels[begin:end], labels[group])) + begin
        first[i], last[i] = max(same[0] - 1, 0), min(same[-1] + 2, excess.size)
    return Spikes(at, first, last, excess[at])


def _blank(samples_mv: FloatArray, spikes: Spikes, sample_rate_hz: float) -> FloatArray:
    """Put a straight line, between medians of 3 ms on both sides, in the place of each stimulus."""
    if not spikes.at.size:
        return samples_mv
    size = samples_mv.shape[1]
    side = max(round(3 * sample_rate_hz / 1000.0), 1)
    blanked = np.zeros(size, dtype=bool)
    for first, last in zip(spikes.first, spikes.last, strict=True):
        blanked[first:last] = True
    held = np.flatnonzero(~blanked)
    out = samples_mv.copy()
    edges = np.flatnonzero(np.diff(np.concatenate(([0], blanked.view(np.int8), [0]))))
    for first, last in edges.reshape(-1, 2):
        before = held[(held >= first - side) & (held < first)]
        after = held[(held >= last) & (held < last + side)]
        left = np.median(samples_mv[:, before], axis=1) if before.size else None
        right = np.median(samples_mv[:, after], axis=1) if after.size else left
        left = right if left is None else left
        if left is None or right is None:
            continue
        share = (np.arange(first, last) - first + 1) / (last - first + 1)
        out[:, first:last] = left[:, None] + (right - left)[:, None] * share
    return out
