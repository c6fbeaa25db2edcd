"""Mechanical dyssynchrony from segmental volumes, beat by beat.

Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (title and abstract seen; definitions from memory):

- dyssynchrony of a segment: percent of the cycle in which the sign of its slope differs from that of the total;
  the mean over the segments is the value of the beat; systole runs from dP/dtmax to dP/dtmin
- internal flow: (sum of |dV_i/dt| − |dV/dt|)/2; its fraction is 100·∫internal flow dt/∫|dV/dt| dt over the cycle
- dispersion: twice the SD (n − 1) over segments of the lag, ms, at which a segment correlates best with the total
  over systole

Project choices: one low-pass common to all segments; a slope of zero, or below its own noise, is synchronous;
slopes of neighbouring used beats of an epoch are averaged on cycle phase.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .cycles import Cycles
from .filters import low_pass
from .results import QualityNote
from .settings import Settings
from .signals import FloatArray
from .windows import IntArray, blocks, interpolate

REDUCED_HZ = 250.0
SYSTOLIC_POINTS, DIASTOLIC_POINTS = 200, 300
LAG_POINTS = 48
LAG_STEP_S = 0.01
EQUAL_CORRELATION = 0.01
LAGS_S = np.arange(-15, 16) * LAG_STEP_S
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


def gaussian_samples(bandwidth_hz: float, rate_hz: float) -> float:
    """Standard deviation, in samples, of a Gaussian low-pass of the given −3 dB bandwidth."""
    return float(np.sqrt(np.log(2.0)) / (2 * np.pi * bandwidth_hz) * rate_hz)


def _slope(volume: FloatArray, bandwidth_hz: float, rate_hz: float) -> FloatArray:
    sigma = gaussian_samples(bandwidth_hz, rate_hz)
    if sigma < 0.5:
        return np.asarray(np.gradient(volume, 1 / rate_hz, axis=-1))
    return np.asarray(
        ndimage.gaussian_filter1d(volume, sigma, axis=-1, order=1, mode="nearest", truncate=5.0) * rate_hz
    )


def _slope_gain(bandwidth_hz: float, rate_hz: float) -> float:
    impulse = np.zeros(501)
    impulse[250] = 1.0
    return float(np.sqrt(np.sum(_slope(impulse, bandwidth_hz, rate_hz) ** 2)))


def white_noise(volume: FloatArray) -> FloatArray:
    """SD of white noise in each row, from the fourth difference, which all but removes the volumes themselves.

    White noise of SD 1 leaves a fourth difference with an SD of the root of 70.
    """
    return np.asarray(1.4826 * np.median(np.abs(np.diff(volume, 4, axis=-1)), axis=-1) / np.sqrt(70.0))


def reduce_segments(segments: FloatArray, settings: Settings, sample_rate_hz: float) -> SegmentTraces:
    """One low-pass common to all segments, as wide as their noise allows, and the slopes under it.

    Clean signals keep their rate and a plain central difference. Else block means down to about 250 Hz and a
    Gaussian, which never makes a monotonic signal turn as a sharper filter would, so it adds no false reversals; its
    bandwidth is the widest of a ladder (down to ``slope_bandwidth_hz``) at which the noise of the slopes stays below
    1 % of their peaks.
    """
    factor = max(int(sample_rate_hz // REDUCED_HZ), 1)
    rate = sample_rate_hz / factor
    usable = segments.shape[1] - segments.shape[1] % factor
    reduced = np.stack([row[:usable].reshape(-1, factor).mean(axis=1) for row in segments])
    smooth = np.stack([low_pass(row, LAG_BANDWIDTH_HZ, rate) for row in reduced])
    peak = float(np.median(np.percentile(np.abs(np.diff(smooth[:, ::5], axis=1)), 95, axis=1)) * rate / 5)
    middle = segments[:, max(segments.shape[1] // 2 - int(30 * sample_rate_hz), 0) :][:, : int(60 * sample_rate_hz)]
    white = white_noise(middle)
    plain_noise = white * _slope_gain(sample_rate_hz, sample_rate_hz)
    if np.median(plain_noise) <= TOLERATED_NOISE * peak:
        slope = np.stack([np.gradient(row, 1 / sample_rate_hz) for row in segments])
        return SegmentTraces(smooth, rate, slope, sample_rate_hz, plain_noise, 0.22 * sample_rate_hz, False)
    white = white_noise(reduced)
    for bandwidth in (
        *(value for value in LADDER_HZ if value > settings.slope_bandwidth_hz),
        settings.slope_bandwidth_hz,
    ):
        noise = white * _slope_gain(bandwidth, rate)
        noisy = bool(np.median(noise) > TOLERATED_NOISE * peak)
        if not noisy:
            break
    return SegmentTraces(smooth, rate, _slope(reduced, bandwidth, rate), rate, noise, bandwidth, noisy)


def filter_note(traces: SegmentTraces, settings: Settings) -> QualityNote:
    """What was done to the segments before their slopes were compared."""
    beats = f", {settings.slope_average_beats} neighbouring beats averaged" if traces.noisy else ""
    noise = float(np.median(traces.noise))
    text = f"Slopes of the segments under {traces.bandwidth_hz:.0f} Hz{beats}; noise {noise:.1f} mL/s (SD)."
    return QualityNote("slope_filter", text, severity="info")


def block_centre(sample: FloatArray, sample_rate_hz: float, rate_hz: float) -> FloatArray:
    """Position in the reduced signal of a (fractional) sample of the full one."""
    factor = sample_rate_hz / rate_hz
    return np.asarray((sample - (factor - 1) / 2) / factor)


def slopes_by_phase(
    traces: SegmentTraces, start: FloatArray, middle: FloatArray, stop: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Slopes of each beat on a common phase: 200 points of systole, then 300 of diastole.

    The two parts are stretched separately, since a longer cycle lengthens diastole far more than systole.

    Parameters
    ----------
    start, middle, stop
        Onset, dP/dtmin and next onset in samples of the slopes, shape (beats,).

    Returns
    -------
    slopes, weight
        Shapes (k, beats, 500) and (beats, 500); the weights of a beat are the shares of its time and sum to 1.
    """
    systolic = (np.arange(SYSTOLIC_POINTS) + 0.5) / SYSTOLIC_POINTS
    diastolic = (np.arange(DIASTOLIC_POINTS) + 0.5) / DIASTOLIC_POINTS
    first, second = (middle - start)[:, None], (stop - middle)[:, None]
    at = np.concatenate((start[:, None] + first * systolic, middle[:, None] + second * diastolic), axis=1)
    weight = np.concatenate(
        (
            np.repeat(first / SYSTOLIC_POINTS, SYSTOLIC_POINTS, 1),
            np.repeat(second / DIASTOLIC_POINTS, DIASTOLIC_POINTS, 1),
        ),
        axis=1,
    )
    return interpolate(traces.slope, at), weight / (stop - start)[:, None]


def average_neighbours(values: FloatArray, group: NDArray[np.int64], beats: int) -> tuple[FloatArray, FloatArray]:
    """Mean over up to ``beats`` neighbouring beats of the same group, and over how many.

    Parameters
    ----------
    values
        Shape (k, n, m), beats along the middle axis.
    group
        Shape (n,); a beat of group −1 is left as it is. Towards the ends of a group the window is cut short.
    """
    result, count = values.copy(), np.ones(values.shape[1])
    half = beats // 2
    for label in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == label)
        if members.size < 2 or half < 1:
            continue
        order = np.arange(members.size)
        first, last = np.maximum(order - half, 0), np.minimum(order + half + 1, members.size)
        running = np.zeros((values.shape[0], members.size + 1, values.shape[2]))
        np.cumsum(values[:, members], axis=1, out=running[:, 1:])
        count[members] = last - first
        result[:, members] = (running[:, last] - running[:, first]) / (last - first)[None, :, None]
    return result, count


def opposed(slopes: FloatArray, dead_band: FloatArray | float = 0.0) -> NDArray[np.bool_]:
    """Where a segment's slope has another sign than the total's, shape of ``slopes``: (k, ..., times).

    ``dead_band``, mL/s, shape (k, 1, ...): slopes of a segment within it count as zero, and so does a total within
    the root of the summed squares; zero is synchronous.
    """
    total = slopes.sum(axis=0)
    one_each = (slopes.shape[0], *(1,) * (slopes.ndim - 1))
    band = np.full(one_each, dead_band) if np.ndim(dead_band) == 0 else np.asarray(dead_band)
    moving = np.abs(total) > np.sqrt((band**2).sum(axis=0))
    return np.asarray((slopes * total < 0) & (np.abs(slopes) > band) & moving)


def dyssynchrony_percent(
    slopes: FloatArray, weight: FloatArray | None = None, dead_band: FloatArray | float = 0.0
) -> FloatArray:
    """Percent of time for which each segment moves against the total.

    Parameters
    ----------
    slopes
        Shape (k, beats, times), any unit per time.
    weight
        Share of time of each sample, shape (beats, times), not necessarily summing to 1; equal when ``None``.
    dead_band
        See :func:`opposed`.

    Returns
    -------
    FloatArray
        Shape (k, beats), percent; NaN for a beat without weight.
    """
    share = np.ones(slopes.shape[1:]) if weight is None else weight
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(100 * (opposed(slopes, dead_band) * share).sum(axis=2) / share.sum(axis=1))


def internal_flow_percent(slopes: FloatArray, weight: FloatArray | None = None) -> FloatArray:
    """Internal flow fraction of each beat, percent, shape (beats,); parameters as above."""
    share = np.ones(slopes.shape[1:]) if weight is None else weight
    total = np.abs(slopes.sum(axis=0))
    internal = (np.abs(slopes).sum(axis=0) - total) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(100 * (internal * share).sum(axis=1) / (total * share).sum(axis=1))


def lag_correlation(traces: SegmentTraces, start: FloatArray, stop: FloatArray) -> FloatArray:
    """Correlation of V_i(t + lag) with V(t), t in systole, shape (k, beats, lags), for lags of ±150 ms.

    ``start`` and ``stop``: dP/dtmax and dP/dtmin in samples of the reduced volumes, shape (beats,).
    """
    count, beats = traces.volume.shape[0], start.size
    total = traces.volume.sum(axis=0)
    result = np.empty((count, beats, LAGS_S.size))
    for part in blocks(beats, 128):
        first, last = start[part, None], stop[part, None]
        at = first + (last - first) * np.linspace(0, 1, LAG_POINTS)
        wanted = interpolate(total, at)
        wanted = wanted - wanted.mean(axis=1, keepdims=True)
        for i, lag in enumerate(LAGS_S):
            moved = interpolate(traces.volume, at + lag * traces.rate_hz)
            moved = moved - moved.mean(axis=2, keepdims=True)
            size = np.sqrt(np.einsum("kbt,kbt->kb", moved, moved) * np.einsum("bt,bt->b", wanted, wanted))
            result[:, part, i] = np.einsum("kbt,bt->kb", moved, wanted) / np.where(size > 0, size, np.inf)
    return result


def best_lag_ms(correlation: FloatArray) -> FloatArray:
    """Lag of the largest correlation, ms, shape (k, beats), refined by a parabola through the three best points.

    Of several peaks within 0.01 of the largest the one nearest to zero lag counts (project choice: a segment that
    moves both ways within systole correlates almost as well at a far lag, and noise would toss between the two).
    """
    largest = correlation.max(axis=2, keepdims=True)
    peak = np.zeros(correlation.shape, dtype=bool)
    middle = correlation[..., 1:-1]
    peak[..., 1:-1] = (middle >= correlation[..., :-2]) & (middle >= correlation[..., 2:])
    peak &= correlation >= largest - EQUAL_CORRELATION
    nearest = np.where(peak, np.abs(LAGS_S), np.inf).argmin(axis=2)
    best = np.where(peak.any(axis=2), nearest, correlation.argmax(axis=2))
    inner = np.clip(best, 1, LAGS_S.size - 2)
    y0, y1, y2 = (np.take_along_axis(correlation, (inner + step)[..., None], 2)[..., 0] for step in (-1, 0, 1))
    curve = y0 - 2 * y1 + y2
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where((curve < 0) & (best == inner), 0.5 * (y0 - y2) / curve, 0.0)
    return np.asarray(1000 * (LAGS_S[best] + np.clip(shift, -0.5, 0.5) * LAG_STEP_S))


def dispersion_ms(lags_ms: FloatArray) -> FloatArray:
    """Twice the sample SD (n − 1) over segments of the lags, shape (k, beats) -> (beats,), ms."""
    return np.asarray(2 * np.std(lags_ms, axis=0, ddof=1))


def dyssynchrony_metrics(
    traces: SegmentTraces, cycles: Cycles, minimum: IntArray, group: NDArray[np.int64], settings: Settings, rate: float
) -> dict[str, FloatArray]:
    """Dyssynchrony, internal flow and dispersion of each beat.

    ``group``: epoch of each beat that may be averaged with its neighbours, −1 for one that stands alone.
    """
    marks = (cycles.onset, minimum.astype(float), cycles.next_onset)
    slopes, weight = slopes_by_phase(traces, *(block_centre(x, rate, traces.slope_rate_hz) for x in marks))
    systole = (block_centre(x.astype(float), rate, traces.rate_hz) for x in (cycles.peak_slope, minimum))
    beats = settings.slope_average_beats if traces.noisy else 1
    slopes, averaged = average_neighbours(slopes, group, beats)
    correlation, _ = average_neighbours(lag_correlation(traces, *systole), group, beats)
    band = settings.slope_dead_band_sd * traces.noise[:, None, None] / np.sqrt(averaged)[None, :, None]
    return {
        "dyssynchrony_percent": dyssynchrony_percent(slopes, weight, band).mean(axis=0),
        "internal_flow_percent": internal_flow_percent(slopes, weight),
        "dispersion_ms": dispersion_ms(best_lag_ms(correlation)),
    }
