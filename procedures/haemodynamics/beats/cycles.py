"""From marks to beats: where each cycle starts, where pressure rises fastest, where the next begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from ..conditioning.pressure import PressureTraces
from ..settings import Settings
from ..signals import FloatArray, PressureVolumeSignals
from ..windows import IntArray, _argmax, _blocks, _gather
from .r_waves import _find_r_waves
from .upstrokes import _find_upstrokes

ELECTROMECHANICAL_S = (-0.02, 0.30)
LONGEST_CYCLE_S = 3.0
SHORTEST_BEAT_S = 0.12


@dataclass(frozen=True)
class Cycles:
    """Beats as sample numbers; every column has one entry per beat, the last beat being left out as unfinished.

    Attributes
    ----------
    mark, next_mark
        R wave; where none was seen, the onset of the upstroke less the usual delay after the R wave.
    onset, next_onset
        Onset of the pressure upstroke, fractional samples.
    peak_slope
        Sample of steepest rise, as found under the smoothed derivative.
    has_r, next_has_r
        Whether ``mark`` is an R wave.
    """

    mark: FloatArray
    next_mark: FloatArray
    onset: FloatArray
    next_onset: FloatArray
    peak_slope: IntArray
    has_r: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of beats."""
        return int(self.mark.size)

    def chosen(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice, shift: int = 0) -> Cycles:
        """Some of the beats, counted from a sample that lies ``shift`` samples earlier."""
        return Cycles(
            self.mark[which] + shift,
            self.next_mark[which] + shift,
            self.onset[which] + shift,
            self.next_onset[which] + shift,
            self.peak_slope[which] + shift,
            self.has_r[which],
        )

    @classmethod
    def joined(cls, parts: Sequence[Cycles]) -> Cycles:
        """The beats of several parts in turn."""
        columns = (np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(cls))
        return cls(*columns)


def _match_r_waves(r_waves: IntArray, upstrokes: IntArray, sample_rate_hz: float) -> tuple[IntArray, IntArray]:
    """For each upstroke the last R wave within 0.3 s before it (−1: none), and the R waves left over."""
    early, late = (round(value * sample_rate_hz) for value in ELECTROMECHANICAL_S)
    place = np.searchsorted(r_waves, upstrokes - early, side="right") - 1
    candidate = r_waves[np.maximum(place, 0)] if r_waves.size else np.zeros_like(upstrokes)
    fits = (place >= 0) & (upstrokes - candidate <= late)
    matched = np.where(fits, candidate, -1)
    # one R wave belongs to one upstroke: the first after it
    repeated = np.concatenate(([False], (matched[1:] == matched[:-1]) & (matched[1:] >= 0)))
    matched = np.where(repeated, -1, matched)
    return matched, np.setdiff1d(r_waves, matched)


def _in_r_gap(upstrokes: IntArray, r_waves: IntArray) -> NDArray[np.bool_]:
    """Upstrokes that lie where an R wave seems to have been missed: in an RR interval 1.5 times the median.

    Elsewhere an upstroke without an R wave is a knock on the catheter or ringing.
    """
    typical = float(np.median(np.diff(r_waves))) if r_waves.size > 1 else np.inf
    edges = np.concatenate(([-np.inf], r_waves, [np.inf]))
    place = np.searchsorted(edges, upstrokes)
    return np.asarray(edges[place] - edges[place - 1] > 1.5 * typical)


def _upstroke_onset(slope: FloatArray, peak: IntArray, fraction: float, sample_rate_hz: float) -> FloatArray:
    """Last crossing of ``fraction`` of the peak slope before the peak, fractional samples; 0.25 s back at most."""
    reach = int(0.25 * sample_rate_hz)
    onset = np.empty(peak.size)
    for block in _blocks(peak.size):
        top = peak[block]
        values, _ = _gather(slope, np.maximum(top - reach, 0), top + 1)
        length = top - np.maximum(top - reach, 0)
        step = np.arange(values.shape[1])
        level = fraction * slope[top]
        below = (values < level[:, None]) & (step <= length[:, None])
        last = values.shape[1] - 1 - below[:, ::-1].argmax(axis=1)
        last = np.where(below.any(axis=1), last, 0)
        row = np.arange(top.size)
        after = np.minimum(last + 1, values.shape[1] - 1)
        rise = values[row, after] - values[row, last]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(rise > 0, (level - values[row, last]) / rise, 0.0)
        onset[block] = np.maximum(top - reach, 0) + last + np.clip(share, 0, 1)
    return onset


def _build_cycles(
    slope: FloatArray,
    coarse_slope: FloatArray,
    upstrokes: IntArray,
    r_waves: IntArray,
    fraction: float,
    sample_rate_hz: float,
) -> Cycles:
    """Beats from upstrokes and R waves.

    An R wave that no upstroke follows (a beat too early to lift the pressure) still makes a beat, with the
    steepest rise within 0.3 s after it; an upstroke without R wave makes one on its own.
    """
    size = slope.size
    half = round(0.04 * sample_rate_hz)
    matched, spare = _match_r_waves(r_waves, upstrokes, sample_rate_hz)
    if r_waves.size:
        believed = (matched >= 0) | _in_r_gap(upstrokes, r_waves)
        upstrokes, matched = upstrokes[believed], matched[believed]
    late = round(ELECTROMECHANICAL_S[1] * sample_rate_hz)
    lone = spare[spare + late < size]
    lone_peak = _argmax(coarse_slope, lone, np.minimum(lone + late, size))
    taken = np.isin(lone_peak, upstrokes)
    peak = np.concatenate((upstrokes, lone_peak[~taken]))
    r_wave = np.concatenate((matched, lone[~taken]))
    order = np.argsort(peak, kind="stable")
    peak, r_wave = peak[order], r_wave[order]
    keep = np.concatenate(([True], np.diff(peak) > 0)) if peak.size else np.zeros(0, dtype=bool)
    peak, r_wave = peak[keep], r_wave[keep]
    located = _argmax(coarse_slope, np.maximum(peak - half, 0), np.minimum(peak + half, size))
    fine = _argmax(slope, np.maximum(located - half // 2, 0), np.minimum(located + half // 2 + 1, size))
    onset = _upstroke_onset(slope, fine, fraction, sample_rate_hz)
    has_r = r_wave >= 0
    # An upstroke whose R wave was missed is marked where its R wave should have been.
    delay = float(np.median((onset - r_wave)[has_r])) if has_r.any() else 0.0
    mark = np.where(has_r, r_wave, onset - delay).astype(float)
    # A recording that begins within an upstroke shows neither its onset nor its R wave; of two R waves that a false
    # one makes out of one upstroke, the first stands.
    whole = (onset > 0) & (mark >= 0)
    apart = SHORTEST_BEAT_S * sample_rate_hz
    whole[1:] &= (np.diff(onset) >= apart) & (np.diff(mark) >= apart)
    mark, onset, located, has_r = mark[whole], onset[whole], located[whole], has_r[whole]
    return Cycles(mark[:-1], mark[1:], onset[:-1], onset[1:], located[:-1].astype(np.int64), has_r[:-1])


def _find_cycles(signals: PressureVolumeSignals, traces: PressureTraces, settings: Settings) -> tuple[Cycles, bool]:
    """Beats of a part of a recording, and whether R waves were found in it."""
    rate = signals.sample_rate_hz
    upstrokes = _find_upstrokes(traces.raw, rate)
    r_waves = np.empty(0, dtype=np.int64) if signals.ecg_mv is None else _find_r_waves(signals.ecg_mv, rate)
    # The onset is a crossing near zero slope: where the derivative is noisy it would be crossed late.
    onset_slope = traces.coarse_slope if traces.noisy_rise else traces.slope
    cycles = _build_cycles(onset_slope, traces.coarse_slope, upstrokes, r_waves, settings.onset_fraction, rate)
    return cycles, r_waves.size > 0
