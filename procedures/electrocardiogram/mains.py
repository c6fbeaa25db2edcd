"""Mains interference: fitted as one sinusoid over the record and subtracted, so that no filter rings in the QRS."""

from __future__ import annotations

import numpy as np

from .ecg import FloatArray

_MAINS_HZ = (50.0, 60.0)
_STANDS_OUT = 5.0


def _remove_mains(samples_mv: FloatArray, sample_rate_hz: float) -> tuple[FloatArray, tuple[float, ...]]:
    """Subtract mains lines that stand out from the spectrum beside them.

    Parameters
    ----------
    samples_mv : (n_leads, n) float64
        Leads without gaps, mV.
    sample_rate_hz
        Samples per second.

    Returns
    -------
    samples, lines_hz
        Cleaned samples, and the lines that were found.
    """
    size = samples_mv.shape[1]
    window = np.hanning(size)
    spectrum = np.fft.rfft((samples_mv - samples_mv.mean(axis=1, keepdims=True)) * window, axis=1)
    power = np.sqrt(np.sum(np.abs(spectrum) ** 2, axis=0))
    frequency = np.fft.rfftfreq(size, 1 / sample_rate_hz)
    found = []
    for line in _MAINS_HZ:
        near = np.flatnonzero(np.abs(frequency - line) <= 0.6)
        beside = (np.abs(frequency - line) > 1.0) & (np.abs(frequency - line) < 6.0)
        if line > 0.45 * sample_rate_hz or near.size < 3 or not beside.any():
            continue
        peak = int(near[np.argmax(power[near])])
        # the harmonics of the heart rate are themselves lines: the largest beside, not the usual one, is the measure
        if peak in (near[0], near[-1]) or power[peak] < _STANDS_OUT * np.median(power[beside]):
            continue
        if power[peak] < 1.5 * power[beside].max():
            continue
        a, b, c = np.log(power[peak - 1 : peak + 2] + 1e-30)
        shift = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else 0.0
        exact = frequency[peak] + shift * (frequency[1] - frequency[0])
        phase = 2 * np.pi * exact * np.arange(size) / sample_rate_hz
        basis = np.stack((np.cos(phase), np.sin(phase)))
        # the window keeps the rest of the spectrum out of the fit
        weighted = basis * window
        samples_mv = samples_mv - np.linalg.solve(weighted @ basis.T, weighted @ samples_mv.T).T @ basis
        found.append(line)
    return samples_mv, tuple(found)
