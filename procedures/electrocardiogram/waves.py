"""The waves of the QRS in one lead: names, amplitudes, peak times."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import signal

from .ecg import FloatArray
from .notches import Notch, _find_notch

# A deflection is a wave from 20 uV and 6 ms on (IEC 60601-2-25 / Common Standards for ECG, from memory), and only
# where it stands clear of the noise.
SMALLEST_MV, SHORTEST_MS = 0.02, 6.0
NOISE_RATIO = 4.0
# Capital letter from 0.5 mV on (common practice, no source).
CAPITAL_MV = 0.5


@dataclass(frozen=True)
class LeadQrs:
    """The QRS in one lead; amplitudes against the level at its onset.

    Attributes
    ----------
    waves
        Polarities in order, such as ``"-+"`` for qR; empty where no wave stands clear of the noise.
    q_mv, r_mv, s_mv
        Depth of the initial negative wave that an R follows, height of the tallest positive wave, depth of the
        deepest negative wave after it. A QS counts as S. All >= 0.
    r_peak_ms, intrinsicoid_ms
        From the QRS onset to the tallest positive peak, and to the last one, where the final downstroke begins
        (intrinsicoid deflection). None without a positive wave.
    notched, slurred
        In the middle of the QRS; ``notch_ms`` is where, from the onset.
    area_mv_ms
        Net area of the QRS.
    level_mv
        At the QRS offset (J point).
    """

    waves: str
    q_mv: float = 0.0
    r_mv: float = 0.0
    s_mv: float = 0.0
    r_peak_ms: float | None = None
    intrinsicoid_ms: float | None = None
    notched: bool = False
    slurred: bool = False
    notch_ms: float | None = None
    area_mv_ms: float = 0.0
    level_mv: float = 0.0

    @property
    def pattern(self) -> str:
        """The usual letters: qRs, rS, QS, rSR′ …; empty where nothing is assessable."""
        if not self.waves:
            return ""
        if "+" not in self.waves:
            return "QS"
        first_r = self.waves.index("+")
        letters = [_letter("q", self.q_mv)] if first_r else []
        r = s = 0
        for sign in self.waves[first_r:]:
            if sign == "+":
                letters.append(_letter("r", self.r_mv) + "′" * r)
                r += 1
            else:
                letters.append(_letter("s", self.s_mv) + "′" * s)
                s += 1
        return "".join(letters)

    @property
    def initial_negative(self) -> bool | None:
        """Whether the QRS begins with a negative wave (Q, q or QS)."""
        return self.waves[0] == "-" if self.waves else None

    @property
    def qs_or_rs(self) -> bool | None:
        """Whether the pattern is QS, or rS: one positive wave, then a deeper negative one, and nothing after."""
        if not self.waves:
            return None
        return self.waves == "-" or (self.waves == "+-" and self.r_mv < self.s_mv)

    @property
    def r_s_ratio(self) -> float | None:
        """R/S; infinite where there is an R and no S, None where there is neither."""
        if self.s_mv > 0:
            return self.r_mv / self.s_mv
        return math.inf if self.r_mv > 0 else None

    @property
    def polarity(self) -> str | None:
        """``positive`` (R/S >= 1) or ``negative``; None where there is neither R nor S."""
        ratio = self.r_s_ratio
        return None if ratio is None else "positive" if ratio >= 1 else "negative"


def _measure_lead(
    signal_mv: FloatArray, noise_mv: float, onset_ms: float, offset_ms: float, sample_rate_hz: float
) -> LeadQrs:
    """The waves of one lead of an average beat.

    Parameters
    ----------
    signal_mv : (n,) float64
        The lead, mV.
    noise_mv
        Standard error of its samples, mV.
    onset_ms, offset_ms
        Global QRS onset and offset from the first sample, ms.
    sample_rate_hz
        Samples per second.
    """
    per_ms = sample_rate_hz / 1000.0
    first, last = round(onset_ms * per_ms), round(offset_ms * per_ms) + 1
    before = signal_mv[max(first - round(12 * per_ms), 0) : max(first - round(2 * per_ms), 1)]
    qrs = signal_mv[first:last] - float(np.median(before))
    least = max(SMALLEST_MV, NOISE_RATIO * noise_mv)
    waves = _waves(qrs, least, max(round(SHORTEST_MS * per_ms), 2))
    notch = _find_notch(qrs, noise_mv, sample_rate_hz) if waves else Notch()
    area = float(qrs.sum() / per_ms)
    level = float(np.median(qrs[-max(round(4 * per_ms), 1) :]))
    if not waves:
        return LeadQrs("", area_mv_ms=area, level_mv=level)
    signs = "".join("+" if qrs[peak] > 0 else "-" for peak in waves)
    positive = [peak for peak in waves if qrs[peak] > 0]
    start = waves.index(positive[0]) if positive else 0
    negative = [peak for peak in waves[start:] if qrs[peak] < 0]
    tallest = max(positive, key=lambda peak: qrs[peak]) if positive else None
    return LeadQrs(
        waves=signs,
        q_mv=-float(qrs[waves[0]]) if start else 0.0,
        r_mv=float(qrs[tallest]) if tallest is not None else 0.0,
        s_mv=-float(min(qrs[peak] for peak in negative)) if negative else 0.0,
        r_peak_ms=tallest / per_ms if tallest is not None else None,
        intrinsicoid_ms=_last_peak(qrs, positive, least) / per_ms if positive else None,
        notched=notch.notched,
        slurred=notch.slurred,
        notch_ms=notch.at_ms,
        area_mv_ms=area,
        level_mv=level,
    )


def _letter(letter: str, amplitude_mv: float) -> str:
    return letter.upper() if amplitude_mv >= CAPITAL_MV else letter


def _waves(qrs: FloatArray, least: float, shortest: int) -> list[int]:
    """Peaks of the deflections of alternating sign that count as waves."""
    runs = np.split(np.arange(qrs.size), np.flatnonzero(np.diff(np.sign(qrs))) + 1)
    peaks: list[int] = []
    for run in runs:
        peak = int(run[np.argmax(np.abs(qrs[run]))])
        if run.size < shortest or abs(qrs[peak]) < least:
            continue
        # what only rises or falls towards the offset is the ST segment's level, not a wave
        if run[-1] == qrs.size - 1 and abs(qrs[peak]) - abs(qrs[-1]) < least:
            continue
        if peaks and qrs[peaks[-1]] * qrs[peak] > 0:  # the one between was no wave
            peaks[-1] = max(peaks[-1], peak, key=lambda at: abs(qrs[at]))
        else:
            peaks.append(peak)
    return peaks


def _last_peak(qrs: FloatArray, positive: list[int], least: float) -> int:
    """The last local maximum of the positive waves that stands out of the downstroke by a wave's least height."""
    peaks, _ = signal.find_peaks(qrs, height=least, prominence=least)
    return int(peaks[-1]) if peaks.size else positive[-1]
