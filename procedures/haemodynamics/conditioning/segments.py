"""Segmental volumes and their slopes, under one low-pass as wide as their noise allows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..results import QualityNote
from ..settings import Settings
from ..signals import FloatArray
from ..windows import _block_means
from .filters import _low_pass

REDUCED_HZ = 250.0
LAG_BANDWIDTH_HZ = 25.0
LADDER_HZ = (60.0, 40.0, 30.0, 20.0, 15.0)
TOLERATED_NOISE = 0.01


@dataclass(frozen=True)
class SegmentTraces:
    """Segmental volumes and their slopes.

    Attributes
    ----------
    volume, rate_hz
        Low-passed volumes, mL, shape (k, n), at a reduced rate, Hz.
    slope, slope_rate_hz
        Slopes under the low-pass common to all segments, mL/s, shape (k, m), at their own rate, Hz.
    noise
        SD of the noise in each slope, mL/s, shape (k,).
    bandwidth_hz
        −3 dB bandwidth of the common low-pass.
    noisy
        Whether the noise exceeds 1 % of the peak slopes even so; neighbouring beats are then averaged.
    """

    volume: FloatArray
    rate_hz: float
    slope: FloatArray
    slope_rate_hz: float
    noise: FloatArray
    bandwidth_hz: float
    noisy: bool


def _gaussian_samples(bandwidth_hz: float, rate_hz: float) -> float:
    """Standard deviation, in samples, of a Gaussian low-pass of the given −3 dB bandwidth."""
    return float(np.sqrt(np.log(2.0)) / (2 * np.pi * bandwidth_hz) * rate_hz)


def _slope(volume: FloatArray, bandwidth_hz: float, rate_hz: float) -> FloatArray:
    sigma = _gaussian_samples(bandwidth_hz, rate_hz)
    if sigma < 0.5:
        return np.asarray(np.gradient(volume, 1 / rate_hz, axis=-1))
    return np.asarray(
        ndimage.gaussian_filter1d(volume, sigma, axis=-1, order=1, mode="nearest", truncate=5.0) * rate_hz
    )


def _slope_gain(bandwidth_hz: float, rate_hz: float) -> float:
    impulse = np.zeros(501)
    impulse[250] = 1.0
    return float(np.sqrt(np.sum(_slope(impulse, bandwidth_hz, rate_hz) ** 2)))


def _white_noise(volume: FloatArray) -> FloatArray:
    """SD of white noise in each row, from the fourth difference, which all but removes the volumes themselves.

    White noise of SD 1 leaves a fourth difference with an SD of the root of 70.
    """
    return np.asarray(1.4826 * np.median(np.abs(np.diff(volume, 4, axis=-1)), axis=-1) / np.sqrt(70.0))


@dataclass(frozen=True)
class SlopeFilter:
    """The low-pass common to all segments of a whole recording; attributes as in :class:`SegmentTraces`.

    ``plain``: the segments keep their rate and a central difference.
    """

    plain: bool
    noise: FloatArray
    bandwidth_hz: float
    noisy: bool


def _choose_slope_filter(segments: FloatArray, settings: Settings, sample_rate_hz: float) -> SlopeFilter:
    """One low-pass common to all segments, as wide as their noise in a representative part allows.

    Clean signals keep their rate and a plain central difference. Else block means down to about 250 Hz and a
    Gaussian, which never makes a monotonic signal turn as a sharper filter would, so it adds no false reversals; its
    bandwidth is the widest of a ladder (down to ``slope_bandwidth_hz``) at which the noise of the slopes stays below
    1 % of their peaks.
    """
    factor, rate = _reduction(sample_rate_hz)
    if segments.shape[1] < 8 * factor:
        return SlopeFilter(True, np.zeros(len(segments)), 0.22 * sample_rate_hz, False)
    reduced = _block_means(segments, factor)
    smooth = _low_pass(reduced, LAG_BANDWIDTH_HZ, rate)
    peak = float(np.median(np.percentile(np.abs(np.diff(smooth[:, ::5], axis=1)), 95, axis=1)) * rate / 5)
    plain_noise = _white_noise(segments) * _slope_gain(sample_rate_hz, sample_rate_hz)
    if np.median(plain_noise) <= TOLERATED_NOISE * peak:
        return SlopeFilter(True, plain_noise, 0.22 * sample_rate_hz, False)
    white = _white_noise(reduced)
    for bandwidth in (
        *(value for value in LADDER_HZ if value > settings.slope_bandwidth_hz),
        settings.slope_bandwidth_hz,
    ):
        noise = white * _slope_gain(bandwidth, rate)
        noisy = bool(np.median(noise) > TOLERATED_NOISE * peak)
        if not noisy:
            break
    return SlopeFilter(False, noise, bandwidth, noisy)


def _reduction(sample_rate_hz: float) -> tuple[int, float]:
    factor = max(int(sample_rate_hz // REDUCED_HZ), 1)
    return factor, sample_rate_hz / factor


def _segment_traces(segments: FloatArray, chosen: SlopeFilter, sample_rate_hz: float) -> SegmentTraces:
    """Volumes and slopes of a part of a recording under the filter chosen for the whole."""
    factor, rate = _reduction(sample_rate_hz)
    reduced = _block_means(segments, factor)
    smooth = _low_pass(reduced, LAG_BANDWIDTH_HZ, rate)
    if chosen.plain:
        slope, slope_rate = np.asarray(np.gradient(segments, 1 / sample_rate_hz, axis=-1)), sample_rate_hz
    else:
        slope, slope_rate = _slope(reduced, chosen.bandwidth_hz, rate), rate
    return SegmentTraces(smooth, rate, slope, slope_rate, chosen.noise, chosen.bandwidth_hz, chosen.noisy)


def _filter_note(chosen: SlopeFilter, settings: Settings) -> QualityNote:
    """What was done to the segments before their slopes were compared."""
    beats = f", {settings.slope_average_beats} neighbouring beats averaged" if chosen.noisy else ""
    noise = float(np.median(chosen.noise))
    text = f"Slopes of the segments under {chosen.bandwidth_hz:.0f} Hz{beats}; noise {noise:.1f} mL/s (SD)."
    return QualityNote("slope_filter", text, severity="info")


def _block_centre(sample: FloatArray, sample_rate_hz: float, rate_hz: float) -> FloatArray:
    """Position in the reduced signal of a (fractional) sample of the full one."""
    factor = sample_rate_hz / rate_hz
    return np.asarray((sample - (factor - 1) / 2) / factor)
