"""Pressure and volume of each beat: the definitions, in one place.

A beat runs from the onset of its pressure upstroke to the next onset.

======================  ==============================================================================
heart_rate_per_min      60 / (start of the next beat − start of the beat)
p_max, p_min            extremes of the smoothed pressure within the beat
edp_mmhg                pressure at end-diastole: onset of the upstroke (default) or R peak
dpdt_max, dpdt_min      extremes of the pressure derivative of stated bandwidth
edv_ml                  largest volume from shortly before the onset to 60 ms after dP/dtmax
esv_ml                  smallest volume from dP/dtmax to 80 % of the cycle
sv_ml, ef_percent       EDV − ESV; 100·SV/EDV
esp_mmhg                pressure at max P/(V − V0) between dP/dtmax and dP/dtmin; without volume, at dP/dtmin
stroke_work_mmhg_ml     area of the loop, shoelace formula, closed by a straight line
ea_mmhg_per_ml          ESP/SV (Sunagawa et al., Am J Physiol 1983;245:H773, from memory)
cycle_efficiency        SW/((p_max − p_min)·(EDV − ESV)) (Schreuder et al., J Am Coll Cardiol 2000;36:2104, from memory)
======================  ==============================================================================

Choices published, and ours. End-diastole: R-wave peak, or upstroke onset where dP/dt crosses a tenth of its maximum
(both from memory; ours is the onset, since the R peak's timing changes with the QRS that each pacing site makes; see
``Settings.end_diastole``). EDV: volume at that moment, or the largest; ours is the largest, because conductance is
disturbed by the electrogram during depolarisation (McGuirk et al., J Biomed Sci Eng 2009;2:491). ESV: volume at
end-systole, or the smallest; ours is the smallest. End-systole: max P/(V − V0), or dP/dtmin; ours is the first.

No value is the largest of many noisy samples: an extreme is located under a narrow filter and read under a wide one.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.interpolate import PchipInterpolator as interpolate_monotone

from ..beats.cycles import Cycles
from ..conditioning.filters import _differentiator, _low_pass
from ..conditioning.pressure import PressureTraces
from ..settings import Settings
from ..signals import FloatArray
from ..windows import IntArray, _argmax, _blocks, _centre_of_parabola, _gather, _interpolate, _vertex
from .relaxation import tau_exponential_ms, tau_logistic_ms, tau_zero_asymptote_ms

EXTREME_HALF_S = 0.015
SLOPE_HALF_S = 0.012
NEIGHBOURS = 25
START_MS = 41.0
LONGEST_RELAXATION_S = 0.35
LOWEST_RELAXATION_HZ = 700.0
VOLUME_METRICS = ("esp_mmhg", "edv_ml", "esv_ml", "sv_ml", "ef_percent", "stroke_work_mmhg_ml")


def _beat_extreme(
    smooth: FloatArray,
    locator: FloatArray,
    start: IntArray,
    stop: IntArray,
    sign: int,
    sample_rate_hz: float,
    half_s: float = EXTREME_HALF_S,
) -> FloatArray:
    at = _argmax(locator, start, stop, sign)
    return _vertex(smooth, at, max(1, round(half_s * sample_rate_hz)), sign)


def _slope_extreme(traces: PressureTraces, at: IntArray, sign: int, sample_rate_hz: float) -> FloatArray:
    """dP/dt at an extreme located under the smoothed derivative.

    Largest sample within 40 ms when the derivative is clean. When its noise exceeds 0.5 % of the value, the centre of a
    parabola over ±12 ms at a place that the noise of the slope has no part in choosing: the largest of many noisy
    samples, and even a value read where a smoothed slope is largest, would be too large on average.
    """
    half = round(0.04 * sample_rate_hz)
    size = traces.slope.size
    widest = _argmax(traces.slope, np.maximum(at - half, 0), np.minimum(at + half + 1, size), sign)
    if not (traces.noisy_rise if sign > 0 else traces.noisy_fall):
        return np.asarray(traces.slope[widest])
    steady = _steady_place(traces, at, sign, sample_rate_hz)
    return _centre_of_parabola(traces.slope, steady, round(SLOPE_HALF_S * sample_rate_hz))


def _steady_place(traces: PressureTraces, at: IntArray, sign: int, sample_rate_hz: float) -> IntArray:
    """Where the pressure is steepest on average over its 24 nearest neighbours.

    The beats are laid over one another by the time at which each crosses the middle of its rise (or, −1, of its fall):
    noise hardly moves it, and it says nothing of the noise of the slope there.
    """
    back, ahead = round(0.12 * sample_rate_hz), round(0.15 * sample_rate_hz)
    if at.size == 0:
        return at
    crossing = np.empty_like(at)
    for block in _blocks(at.size):
        values, _ = _gather(traces.smooth, at[block] - back, at[block] + ahead + 1)
        values = sign * values
        low = values[:, : back + 1].argmin(axis=1)
        level = 0.5 * (values[np.arange(low.size), low] + values[:, back:].max(axis=1))
        beyond = (values >= level[:, None]) & (np.arange(values.shape[1]) > low[:, None])
        crossing[block] = at[block] - back + beyond.argmax(axis=1)
    reach = round(0.06 * sample_rate_hz)
    slopes, _ = _gather(traces.slope, crossing - reach, crossing + reach + 1)
    slopes = sign * slopes
    mean = ndimage.uniform_filter1d(slopes, NEIGHBOURS, axis=0, mode="mirror")
    if at.size > NEIGHBOURS // 2:
        mean -= slopes / NEIGHBOURS  # the beat itself has no say, so its own noise cannot draw the place to itself
    return np.clip(crossing - reach + mean.argmax(axis=1), 0, max(traces.smooth.size - 1, 0))


def _refined(x: FloatArray, factor: int) -> FloatArray:
    """``factor`` times the samples, by monotone cubic pieces, which do not overshoot at corners."""
    if factor == 1 or x.size < 4:
        return x
    fine = np.arange((x.size - 1) * factor + 1) / factor
    return np.asarray(interpolate_monotone(np.arange(x.size), x)(fine))


def _relaxation_metrics(
    traces: PressureTraces, minimum: IntArray, edp_next: FloatArray, stop: IntArray, settings: Settings, rate: float
) -> dict[str, FloatArray]:
    """The three time constants, from dP/dtmin to the next EDP plus the margin.

    Below 700 Hz the pressure is interpolated to about 1 kHz first: the window is some 50 ms long, and where it ends
    must be known more closely than to 4 ms.
    """
    factor = 1 if rate >= LOWEST_RELAXATION_HZ else int(np.ceil(1000 / rate))
    raw, smooth, fine_rate = _refined(traces.raw, factor), _refined(traces.smooth, factor), rate * factor
    # Where the derivative is noisy its smallest sample wanders; a narrower filter holds the start steady.
    steady = traces.slope
    if traces.noisy_fall:
        steady = _differentiator(START_MS, rate)(traces.raw)
    half = round(0.04 * rate)
    steepest = _argmax(steady, np.maximum(minimum - half, 0), np.minimum(minimum + half // 2, steady.size), -1)
    start = steepest * factor
    result = {key: np.full(start.size, np.nan) for key in ("exponential", "zero_asymptote", "logistic")}
    longest = round(LONGEST_RELAXATION_S * fine_rate)
    for block in _blocks(start.size):
        end = np.minimum(stop[block] * factor, start[block] + longest)
        values, inside = _gather(raw, start[block], end)
        above = _gather(smooth, start[block], end)[0] > (edp_next[block] + settings.tau_end_above_edp_mmhg)[:, None]
        inside &= np.logical_and.accumulate(above, axis=1)
        time_ms: FloatArray = np.arange(values.shape[1], dtype=np.float64) * (1000.0 / fine_rate)
        used = max(int(inside.sum(axis=1).max(initial=1)), 1)
        values, inside, time_ms = values[:, :used], inside[:, :used], time_ms[:used]
        result["exponential"][block] = tau_exponential_ms(time_ms, values, inside, factor)[0]
        result["zero_asymptote"][block] = tau_zero_asymptote_ms(time_ms, values, inside)
        result["logistic"][block] = tau_logistic_ms(time_ms, values, inside, factor)[0]
    return {f"tau_{name}_ms": column for name, column in result.items()}


def _pressure_metrics(
    traces: PressureTraces, cycles: Cycles, settings: Settings, sample_rate_hz: float
) -> tuple[dict[str, FloatArray], IntArray]:
    """Metrics that need pressure alone, and the sample of dP/dtmin of each beat."""
    size = traces.smooth.size
    stop = np.minimum(np.ceil(cycles.next_onset).astype(np.int64), size)
    systole = np.minimum(cycles.peak_slope + round(0.7 * sample_rate_hz), stop)
    minimum = _argmax(traces.coarse_slope, cycles.peak_slope, np.maximum(systole, cycles.peak_slope + 1), -1)
    at_r = settings.end_diastole == "r_wave"
    edp_at, next_at = (cycles.mark, cycles.next_mark) if at_r else (cycles.onset, cycles.next_onset)
    edp_next = _interpolate(traces.smooth, next_at)
    metrics = {
        "heart_rate_per_min": 60 * sample_rate_hz / (cycles.next_mark - cycles.mark),
        "p_max_mmhg": _beat_extreme(traces.smooth, traces.locator, cycles.peak_slope, stop, 1, sample_rate_hz),
        "p_min_mmhg": _beat_extreme(traces.smooth, traces.locator, minimum, stop, -1, sample_rate_hz),
        "edp_mmhg": _interpolate(traces.smooth, edp_at),
        "dpdt_max_mmhg_per_s": _slope_extreme(traces, cycles.peak_slope, 1, sample_rate_hz),
        "dpdt_min_mmhg_per_s": _slope_extreme(traces, minimum, -1, sample_rate_hz),
        **_relaxation_metrics(traces, minimum, edp_next, stop, settings, sample_rate_hz),
    }
    return metrics, minimum


def loop_area(pressure: FloatArray, volume: FloatArray, start: IntArray, stop: IntArray) -> FloatArray:
    """Area of each pressure-volume loop by the shoelace formula, always positive.

    Parameters
    ----------
    pressure, volume
        Pressure, mmHg, and volume, mL, of the whole signal, shape (n,). One NaN in either makes every area NaN.
    start, stop
        First and last sample of each loop, both included, shape (beats,).

    Returns
    -------
    ndarray
        mmHg·mL, shape (beats,).

    References
    ----------
    Shoelace formula: common practice, no source.
    """
    if start.size == 0:
        return np.empty(0)
    p, v = pressure - pressure.mean(), volume - volume.mean()
    summed = np.concatenate(([0.0], np.cumsum(v[:-1] * p[1:] - v[1:] * p[:-1])))
    closing = v[stop] * p[start] - v[start] * p[stop]
    return np.asarray(0.5 * np.abs(summed[stop] - summed[start] + closing))


def _volume_metrics(
    traces: PressureTraces,
    total: FloatArray,
    cycles: Cycles,
    minimum: IntArray,
    settings: Settings,
    sample_rate_hz: float,
) -> dict[str, FloatArray]:
    """Metrics that need the total volume.

    A beat compressed in time is seen through filters and a vertex window compressed alike; fixed ones reach over the
    corners of a short plateau. The beats are therefore read in classes of heart rate, a quarter apart.
    """
    if cycles.count == 0:
        return {key: np.empty(0) for key in VOLUME_METRICS}
    pace = _pace_classes(60 * sample_rate_hz / (cycles.next_mark - cycles.mark))
    result = {key: np.full(cycles.count, np.nan) for key in VOLUME_METRICS}
    for faster in np.unique(pace):
        members = pace == faster
        found = _volume_metrics_at(
            traces, total, cycles.chosen(members), minimum[members], settings, sample_rate_hz, float(faster)
        )
        for key, column in found.items():
            result[key][members] = column
    return result


def _pace_classes(heart_rate_per_min: FloatArray) -> FloatArray:
    """How many times faster than 60 a minute the heart beats about each beat, at least 1, as a power of 1.25."""
    around = ndimage.median_filter(heart_rate_per_min, size=9, mode="nearest")
    return np.asarray(1.25 ** np.round(np.log(np.maximum(around / 60, 1.0)) / np.log(1.25)))


def _volume_metrics_at(
    traces: PressureTraces,
    total: FloatArray,
    cycles: Cycles,
    minimum: IntArray,
    settings: Settings,
    sample_rate_hz: float,
    pace: float,
) -> dict[str, FloatArray]:
    size = total.size
    smooth = _low_pass(total, settings.volume_bandwidth_hz * pace, sample_rate_hz)
    locator = _low_pass(total, settings.locator_bandwidth_hz * pace, sample_rate_hz)
    half_s = EXTREME_HALF_S / pace
    onset, stop = np.round(cycles.onset).astype(np.int64), np.round(cycles.next_onset).astype(np.int64)
    length = stop - onset
    before = np.minimum(round(0.15 * sample_rate_hz), length // 4)
    ed_start, ed_stop = (
        np.maximum(onset - before, 0),
        np.minimum(cycles.peak_slope + round(0.06 * sample_rate_hz), size),
    )
    edv = _beat_extreme(smooth, locator, ed_start, ed_stop, 1, sample_rate_hz, half_s)
    es_stop = np.minimum(onset + (0.8 * length).astype(np.int64), size)
    esv = _beat_extreme(smooth, locator, cycles.peak_slope, es_stop, -1, sample_rate_hz, half_s)
    corner = np.empty(onset.size, dtype=np.int64)
    for block in _blocks(onset.size):
        p, inside = _gather(traces.smooth, cycles.peak_slope[block], minimum[block] + 1)
        v, _ = _gather(smooth, cycles.peak_slope[block], minimum[block] + 1)
        room = v - settings.end_systolic_v0_ml
        ratio = np.where(inside & (room > 0), p / np.where(room > 0, room, 1.0), -np.inf)
        corner[block] = cycles.peak_slope[block] + ratio.argmax(axis=1)
    area = loop_area(traces.smooth, smooth, np.minimum(onset, size - 1), np.minimum(stop, size - 1))
    sv = edv - esv
    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            "esp_mmhg": np.asarray(traces.smooth[corner]),
            "edv_ml": edv,
            "esv_ml": esv,
            "sv_ml": sv,
            "ef_percent": 100 * sv / edv,
            "stroke_work_mmhg_ml": area,
        }
