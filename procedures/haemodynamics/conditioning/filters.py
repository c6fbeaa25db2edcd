"""Zero-phase filters: low-pass, derivative of stated bandwidth, mains notch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from ..signals import FloatArray

# Savitzky-Golay windows of order 4 in ms, widest bandwidth first, tried after the central difference.
LADDER_MS = (9.0, 13.0, 17.0, 21.0, 25.0, 29.0)
COARSE_MS = 61.0


def _low_pass(x: FloatArray, bandwidth_hz: float, sample_rate_hz: float) -> FloatArray:
    """Second-order Butterworth run forwards and backwards (no delay; −6 dB at ``bandwidth_hz``).

    Parameters
    ----------
    x
        Samples along the last axis.
    bandwidth_hz, sample_rate_hz
        Corner and sampling frequency, Hz. A corner at or above 0.45 of the rate leaves ``x`` as it is.
    """
    if bandwidth_hz >= 0.45 * sample_rate_hz or x.shape[-1] < 16:
        return x
    sos = signal.butter(2, bandwidth_hz, fs=sample_rate_hz, output="sos")
    pad = min(x.shape[-1] - 1, int(sample_rate_hz / bandwidth_hz) + 16)
    return np.asarray(signal.sosfiltfilt(sos, x, axis=-1, padlen=pad))


@dataclass(frozen=True)
class Differentiator:
    """Finite differentiating filter: odd-length taps (per second) and its bandwidth, Hz, at −3 dB of j·omega."""

    taps: FloatArray
    bandwidth_hz: float

    def __call__(self, x: FloatArray) -> FloatArray:
        """Derivative per second, same length; the ends are extended by straight continuation."""
        half = self.taps.size // 2
        if x.size <= 2 * half + 1:
            return np.zeros_like(x)
        padded = np.concatenate((2 * x[0] - x[half:0:-1], x, 2 * x[-1] - x[-2 : -half - 2 : -1]))
        return np.convolve(padded, self.taps, mode="valid")


def _differentiator(window_ms: float, sample_rate_hz: float) -> Differentiator:
    """Savitzky-Golay first derivative of order 4 over ``window_ms``; a central difference below five samples.

    Source: Savitzky and Golay, Anal Chem 1964;36:1627 (from memory); taps by :func:`scipy.signal.savgol_coeffs`.
    """
    length = round(window_ms * sample_rate_hz / 1000) | 1
    order = 4 if length > 5 else 2
    taps = signal.savgol_coeffs(max(length, 3), order, deriv=1, delta=1 / sample_rate_hz)
    frequency, response = signal.freqz(taps, worN=4096, fs=sample_rate_hz)
    relative = np.abs(response[1:]) / (2 * np.pi * frequency[1:])
    below = np.flatnonzero(relative < np.sqrt(0.5))
    return Differentiator(taps, float(frequency[1:][below[0]]) if below.size else sample_rate_hz / 2)


def _derivative_ladder(sample_rate_hz: float, floor_hz: float) -> list[Differentiator]:
    """The differentiators to choose from, widest first, none narrower than ``floor_hz`` but at least one."""
    rungs = [_differentiator(0.0, sample_rate_hz)]
    for window in LADDER_MS:
        rung = _differentiator(window, sample_rate_hz)
        if floor_hz <= rung.bandwidth_hz < 0.98 * rungs[-1].bandwidth_hz:
            rungs.append(rung)
    return rungs


def _mains_line(x: FloatArray, sample_rate_hz: float, candidates_hz: tuple[float, ...]) -> float | None:
    """Frequency of a mains line that stands out of ``x``, Hz, or ``None``.

    A line counts when its amplitude is four times the largest within 1.5 to 6 Hz on either side, where the
    harmonics of the heart beat lie that a line has to be told from, and above 0.05 of the signal's own unit.
    """
    length = int(min(x.size, 20 * sample_rate_hz))
    if length < 4 * sample_rate_hz:
        return None
    middle = x[(x.size - length) // 2 :][:length]
    window = np.hanning(length)
    amplitude = np.abs(np.fft.rfft((middle - middle.mean()) * window)) * 2 / window.sum()
    frequency = np.fft.rfftfreq(length, 1 / sample_rate_hz)
    for mains in candidates_hz:
        off = np.abs(frequency - mains)
        if mains > 0.45 * sample_rate_hz:
            continue
        line, around = off < 0.5, (off > 1.5) & (off < 6)
        if amplitude[line].max() > max(4 * amplitude[around].max(), 0.05):
            return float(frequency[line][amplitude[line].argmax()])
    return None


def _remove_line(x: FloatArray, line_hz: float, sample_rate_hz: float) -> FloatArray:
    """Zero-phase notch about 1 Hz wide at ``line_hz``."""
    b, a = signal.iirnotch(line_hz, line_hz / 1.0, fs=sample_rate_hz)
    pad = min(x.shape[-1] - 1, int(sample_rate_hz))
    return np.asarray(signal.filtfilt(b, a, x, axis=-1, padlen=pad))
