"""R waves from one or more ECG leads."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, signal

from ..signals import FloatArray
from ..windows import IntArray, _argmax, _block_means
from .upstrokes import _local_peak_height

SHORTEST_RR_S = 0.25
LOWEST_RATE_HZ = 200.0


def _reduced(lead: FloatArray, factor: int) -> FloatArray:
    """Block means of ``factor`` samples, then a running median of three: pacing spikes of 1 to 2 ms go."""
    mean = _block_means(lead, factor)
    if not np.isfinite(mean).all():
        mean = np.nan_to_num(mean, nan=0.0, posinf=0.0, neginf=0.0)
    if mean.size < 3:
        return mean
    low, high = np.minimum(mean[:-2], mean[1:-1]), np.maximum(mean[:-2], mean[1:-1])
    mean[1:-1] = np.maximum(low, np.minimum(high, mean[2:]))
    return mean


def _qrs_energy(ecg: FloatArray, sample_rate_hz: float) -> tuple[FloatArray, FloatArray, float]:
    """Energy of the QRS band over all leads.

    Returns
    -------
    energy, magnitude, rate
        ``energy``: mean square of the 5 to 25 Hz slope over 100 ms, summed over leads that each carry unit weight;
        ``magnitude``: root of the summed squares of the band-passed leads; both at ``rate`` Hz.
    """
    factor = max(int(sample_rate_hz // LOWEST_RATE_HZ), 1)
    rate = sample_rate_hz / factor
    band = signal.butter(2, (5.0, 25.0), btype="bandpass", fs=rate, output="sos")
    count = ecg.shape[1] // factor
    energy, magnitude, squared, slope = np.zeros(count), np.zeros(count), np.empty(count), np.empty(count - 2)
    for lead in ecg:
        passed = signal.sosfiltfilt(band, _reduced(lead, factor))
        scale = np.percentile(np.abs(passed[:: max(int(rate // 50), 1)]), 98)
        if not scale > 1e-6:  # a lead that is off or flat
            continue
        passed /= scale
        np.square(passed, out=squared)
        magnitude += squared
        np.subtract(passed[2:], passed[:-2], out=slope)
        np.square(slope, out=slope)
        energy[1:-1] += slope
    energy = ndimage.uniform_filter1d(energy, max(int(0.1 * rate), 1))
    return energy, np.sqrt(magnitude), rate


def _find_r_waves(ecg: FloatArray, sample_rate_hz: float) -> IntArray:
    """R peaks, as samples of the given rate; empty when no lead carries a QRS.

    Band-pass, slope energy and adaptive threshold after Pan and Tompkins, IEEE Trans Biomed Eng 1985;32:230
    (from memory), over all leads together, which needs no choice of lead.
    """
    if ecg.shape[1] < 2 * sample_rate_hz:
        return np.empty(0, dtype=np.int64)
    energy, magnitude, rate = _qrs_energy(ecg, sample_rate_hz)
    root = np.sqrt(energy)
    typical = _local_peak_height(root, rate)
    if not typical.max() > 0:
        return np.empty(0, dtype=np.int64)
    peaks, _ = signal.find_peaks(root, height=0.35 * typical, distance=max(int(SHORTEST_RR_S * rate), 1))
    # A true train of QRS stands clear of what lies between: without that the leads are noise.
    if peaks.size < 2 or np.median(root[peaks]) < 3 * np.quantile(root, 0.2):
        return np.empty(0, dtype=np.int64)
    half = int(0.08 * rate)
    refined = _argmax(magnitude, np.maximum(peaks - half, 0), np.minimum(peaks + half, root.size))
    factor = max(int(sample_rate_hz // LOWEST_RATE_HZ), 1)
    return np.unique(refined * factor + factor // 2)
