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
from .settings import Settings
from .signals import FloatArray
from .windows import IntArray, blocks, interpolate

REDUCED_HZ = 250.0
PHASES = 250
LARGEST_LAG_S = 0.15
SYSTOLE_POINTS = 48
LAG_STEP_S = 0.005


@dataclass(frozen=True)
class SegmentTraces:
    """Segmental volumes at a reduced rate: smoothed volume (mL), its slope (mL/s), the slope's noise SD (mL/s)."""

    volume: FloatArray
    slope: FloatArray
    noise: FloatArray
    rate_hz: float


def reduce_segments(segments: FloatArray, settings: Settings, sample_rate_hz: float) -> SegmentTraces:
    """Block means down to about 250 Hz, then the common low-pass and a central-difference slope, per segment."""
    factor = max(int(sample_rate_hz // REDUCED_HZ), 1)
    rate = sample_rate_hz / factor
    usable = segments.shape[1] - segments.shape[1] % factor
    reduced = np.stack([row[:usable].reshape(-1, factor).mean(axis=1) for row in segments])
    smooth = low_pass(reduced, settings.slope_bandwidth_hz, rate)
    # White noise seen between the pass band and half the rate tells what passes through to the slope.
    quick = low_pass(reduced, min(2.5 * settings.slope_bandwidth_hz, 0.4 * rate), rate)
    white = 1.4826 * np.median(np.abs(reduced - quick), axis=1)
    corner = settings.slope_bandwidth_hz
    gain = np.sqrt(2 / rate * (2 * np.pi) ** 2 * corner**3 / 3 * 0.6)
    return SegmentTraces(smooth, np.gradient(smooth, 1 / rate, axis=1), white * gain, rate)


def block_centre(sample: FloatArray, sample_rate_hz: float, rate_hz: float) -> FloatArray:
    """Position in the reduced signal of a (fractional) sample of the full one."""
    factor = sample_rate_hz / rate_hz
    return np.asarray((sample - (factor - 1) / 2) / factor)


def slopes_by_phase(traces: SegmentTraces, start: FloatArray, stop: FloatArray, phases: int = PHASES) -> FloatArray:
    """Slopes on cycle phase, shape (k, beats, phases); ``start`` and ``stop`` in samples of the reduced signal."""
    phase = (np.arange(phases) + 0.5) / phases
    return interpolate(traces.slope, start[:, None] + (stop - start)[:, None] * phase)


def average_neighbours(slopes: FloatArray, group: NDArray[np.int64], beats: int) -> tuple[FloatArray, FloatArray]:
    """Running mean over the beats of one group (−1: left as it is), and how many beats went into each."""
    result, count = slopes.copy(), np.ones(slopes.shape[1])
    for label in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == label)
        width = min(beats, members.size)
        if width < 2:
            continue
        result[:, members] = ndimage.uniform_filter1d(slopes[:, members], width, axis=1, mode="nearest")
        count[members] = width
    return result, count


def dyssynchrony_percent(slopes: FloatArray, dead_band: FloatArray | float = 0.0) -> FloatArray:
    """Percent of time in which a segment's slope has another sign than the total's.

    Parameters
    ----------
    slopes
        Shape (k, beats, times), mL/s or any unit.
    dead_band
        Slopes of a segment up to this size count as zero, shape (k, beats, 1) or a number.

    Returns
    -------
    FloatArray
        Shape (k, beats), percent.
    """
    total = slopes.sum(axis=0)
    product = slopes * total
    counted = (product < 0) & (np.abs(slopes) > dead_band)
    return np.asarray(100 * counted.mean(axis=2))


def internal_flow_percent(slopes: FloatArray) -> FloatArray:
    """Internal flow fraction of each beat, percent, shape (beats,), from slopes of shape (k, beats, times)."""
    total = np.abs(slopes.sum(axis=0))
    internal = (np.abs(slopes).sum(axis=0) - total) / 2
    denominator = total.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(denominator > 0, 100 * internal.sum(axis=1) / denominator, np.nan)


def segment_lags_ms(traces: SegmentTraces, start: FloatArray, stop: FloatArray) -> FloatArray:
    """Lag of each segment behind the total over systole, ms, shape (k, beats).

    The lag, within ±150 ms, at which the correlation of V_i(t + lag) with V(t), t in systole, is largest, refined
    by a parabola through the three best points. ``start`` and ``stop`` (dP/dtmax and dP/dtmin) in samples.
    """
    count, beats = traces.volume.shape[0], start.size
    lags = np.arange(-round(LARGEST_LAG_S / LAG_STEP_S), round(LARGEST_LAG_S / LAG_STEP_S) + 1) * LAG_STEP_S
    total = traces.volume.sum(axis=0)
    result = np.empty((count, beats))
    for part in blocks(beats, 128):
        first, last = start[part, None], stop[part, None]
        at = first + (last - first) * np.linspace(0, 1, SYSTOLE_POINTS)
        wanted = interpolate(total, at)
        wanted = wanted - wanted.mean(axis=1, keepdims=True)
        correlation = np.empty((lags.size, count, wanted.shape[0]))
        for i, lag in enumerate(lags):
            moved = interpolate(traces.volume, at + lag * traces.rate_hz)
            moved = moved - moved.mean(axis=2, keepdims=True)
            size = np.sqrt((moved**2).sum(axis=2) * (wanted**2).sum(axis=1))
            correlation[i] = (moved * wanted).sum(axis=2) / np.where(size > 0, size, np.inf)
        best = correlation.argmax(axis=0)
        inner = np.clip(best, 1, lags.size - 2)
        y0, y1, y2 = (np.take_along_axis(correlation, (inner + step)[None], 0)[0] for step in (-1, 0, 1))
        curve = y0 - 2 * y1 + y2
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.where(curve < 0, 0.5 * (y0 - y2) / curve, 0.0)
        shift = np.where(best == inner, np.clip(shift, -0.5, 0.5), 0.0)
        result[:, part] = 1000 * (lags[best] + shift * LAG_STEP_S)
    return result


def dispersion_ms(lags_ms: FloatArray) -> FloatArray:
    """Twice the sample SD (n − 1) over segments of the lags, shape (k, beats) -> (beats,), ms."""
    return np.asarray(2 * np.std(lags_ms, axis=0, ddof=1))


def dyssynchrony_metrics(
    traces: SegmentTraces, cycles: Cycles, minimum: IntArray, group: NDArray[np.int64], settings: Settings, rate: float
) -> dict[str, FloatArray]:
    """Dyssynchrony, internal flow and dispersion of each beat.

    ``group``: epoch of each beat that may be averaged with its neighbours, −1 for one that stands alone.
    """
    start, stop = (block_centre(x, rate, traces.rate_hz) for x in (cycles.onset, cycles.next_onset))
    steepest = block_centre(cycles.peak_slope.astype(float), rate, traces.rate_hz)
    end = block_centre(minimum.astype(float), rate, traces.rate_hz)
    slopes = slopes_by_phase(traces, start, stop)
    slopes, averaged = average_neighbours(slopes, group, settings.slope_average_beats)
    band = settings.slope_dead_band_sd * traces.noise[:, None, None] / np.sqrt(averaged)[None, :, None]
    return {
        "dyssynchrony_percent": dyssynchrony_percent(slopes, band).mean(axis=0),
        "internal_flow_percent": internal_flow_percent(slopes),
        "dispersion_ms": dispersion_ms(segment_lags_ms(traces, steepest, end)),
    }
