"""QRS complexes found over all leads together, and the kind of beat that is measured."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, signal

from .ecg import ElectrocardiogramError, FloatArray, IntArray

SHORTEST_RR_MS = 250.0
T_WAVE_MS, T_WAVE_SHARE = 360.0, 0.7
_BAND_HZ = (4.0, 28.0)
_WIDTH_MS = 120.0


def _find_beats(samples_mv: FloatArray, sample_rate_hz: float) -> IntArray:
    """Centres of the QRS complexes, as samples.

    Band-pass, slope energy over 120 ms and a threshold that follows the size of the complexes, after Pan and
    Tompkins, IEEE Trans Biomed Eng 1985;32:230 (from memory), over all leads together.

    Parameters
    ----------
    samples_mv : (n_leads, n) float64
        Independent leads without gaps and with the stimuli blanked, mV.
    sample_rate_hz
        Samples per second.

    Raises
    ------
    ElectrocardiogramError
        Where no complex stands clear of the rest.
    """
    band = signal.butter(2, _BAND_HZ, btype="bandpass", fs=sample_rate_hz, output="sos")
    slope = np.gradient(signal.sosfiltfilt(band, samples_mv, axis=1), axis=1)
    width = max(round(_WIDTH_MS / 1000 * sample_rate_hz), 1)
    energy = np.sqrt(ndimage.uniform_filter1d(np.sum(slope**2, axis=0), width))
    distance = max(round(SHORTEST_RR_MS / 1000 * sample_rate_hz), 1)
    second = round(sample_rate_hz)
    tallest = [chunk.max() for chunk in np.array_split(energy, max(energy.size // (2 * second), 1))]
    peaks, _ = signal.find_peaks(energy, height=0.33 * float(np.median(tallest)), distance=distance)
    # a train of QRS stands clear of what lies between
    if not peaks.size or float(np.median(energy[peaks])) < 2.5 * float(np.quantile(energy, 0.2)):
        raise ElectrocardiogramError("No QRS complexes were found in the ECG.")
    # a T wave follows its QRS closely and has less slope (the rule and its 360 ms after Pan and Tompkins)
    after = np.diff(peaks, prepend=peaks[0] - energy.size) < T_WAVE_MS / 1000 * sample_rate_hz
    smaller = energy[peaks] < T_WAVE_SHARE * np.concatenate(([0.0], energy[peaks][:-1]))
    return np.asarray(peaks[~(after & smaller)], dtype=np.int64)


def _level_baseline(samples_mv: FloatArray, beats: IntArray, sample_rate_hz: float) -> FloatArray:
    """Subtract a line through the level before each QRS (median of 130 to 100 ms before its centre)."""
    first = beats - round(0.13 * sample_rate_hz)
    span = max(round(0.03 * sample_rate_hz), 3)
    held = first >= 0
    if not held.any():
        return samples_mv - np.median(samples_mv, axis=1, keepdims=True)
    windows = first[held, None] + np.arange(span)
    levels = np.median(samples_mv[:, windows], axis=2)
    at = first[held] + span / 2
    clock = np.arange(samples_mv.shape[1])
    return samples_mv - np.stack([np.interp(clock, at, row) for row in levels])


def _cut(samples_mv: FloatArray, beats: IntArray, before: int, after: int) -> FloatArray:
    """Windows around the beats: (n_beats, n_leads, before + after)."""
    return samples_mv[:, beats[:, None] + np.arange(-before, after)].transpose(1, 0, 2)


def _dominant(complexes: FloatArray, least_correlation: float = 0.9) -> IntArray:
    """Beats of the most frequent shape.

    Parameters
    ----------
    complexes : (n_beats, n_leads, n) float64
        QRS windows, roughly aligned.
    least_correlation
        Correlation over all leads at which two beats count as alike.
    """
    flat = complexes - complexes.mean(axis=2, keepdims=True)
    flat = flat.reshape(len(flat), -1)
    flat = flat / (np.linalg.norm(flat, axis=1, keepdims=True) + 1e-12)
    alike = flat @ flat.T
    # noise lowers every correlation: what counts is being as alike as the beats usually are
    usual = float(np.median(alike[np.triu_indices(len(flat), 1)])) if len(flat) > 1 else 1.0
    limit = min(least_correlation, max(usual - 0.1, 0.5))
    leader = int(np.argmax(np.sum(alike >= limit, axis=1)))
    return np.flatnonzero(alike[leader] >= limit)
