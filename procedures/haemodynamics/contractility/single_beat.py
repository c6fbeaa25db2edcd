"""End-systolic elastance from steady beats alone: an *estimate*, where no load-reduction run was made.

The pressure that an isovolumic beat would reach is that of a sine fitted to the isovolumic parts of an ejecting beat,
P(t) = P0 + A·(1 − cos(omega·t + phi))/2, from the onset of the upstroke to dP/dtmax and from dP/dtmin until pressure
has fallen to end-diastolic pressure; Ees = (Pmax − ESP)/(EDV − ESV) (Takeuchi et al., Circulation 1991;83:202, from
memory). Single-beat estimates scatter: another published one, from cuff pressures and echocardiography, had a standard
error of 0.64 mmHg/mL against invasive values in 43 patients (Chen et al., J Am Coll Cardiol 2001;38:2028, abstract
seen).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..channels.gaps import _bridge
from ..conditioning.filters import COARSE_MS, _differentiator, _low_pass
from ..results import Analysis
from ..signals import FloatArray, SignalSource
from .relations import LoadReductionError

PERIODS_S = np.geomspace(0.3, 2.0, 60)
FEWEST_SAMPLES = 12
FEWEST_BEATS = 3
MOST_BEATS = 60
HIGHEST_MMHG = 600.0


@dataclass(frozen=True)
class SingleBeatEstimate:
    """Mean over beats of the estimates; ``ees_sd`` is their SD from beat to beat, not their error against the truth.

    ``pmax_mmhg``: pressure an isovolumic beat would reach; ``v0_ml``: where the line through it and end-systole
    cuts the volume axis.
    """

    ees_mmhg_per_ml: float
    ees_sd: float
    pmax_mmhg: float
    v0_ml: float
    beats: int


def _isovolumic_peak(time_s: FloatArray, pressure: FloatArray) -> float | None:
    """Peak of the sine fitted to isovolumic pressures, mmHg; ``None`` where no sine has its peak within reach.

    Parameters
    ----------
    time_s, pressure
        Samples of both isovolumic parts, s and mmHg, shape (n,).
    """
    if time_s.size < FEWEST_SAMPLES:
        return None
    time_s = time_s - time_s[0]

    def fit(period_s: float) -> tuple[float, float]:
        angle = 2 * np.pi * time_s / period_s
        columns = np.column_stack((np.ones_like(angle), np.cos(angle), np.sin(angle)))
        found, *_ = np.linalg.lstsq(columns, pressure, rcond=None)
        return float(np.sum((pressure - columns @ found) ** 2)), float(found[0] + np.hypot(found[1], found[2]))

    errors = [fit(period)[0] for period in PERIODS_S]
    best = int(np.argmin(errors))
    if best in (0, PERIODS_S.size - 1):
        return None
    fine = np.geomspace(PERIODS_S[best - 1], PERIODS_S[best + 1], 21)
    _, peak = min(fit(period) for period in fine)
    return peak if pressure.max() < peak < HIGHEST_MMHG else None


def single_beat_estimate(signals: SignalSource, analysis: Analysis, epoch_index: int) -> SingleBeatEstimate:
    """Estimate Ees from the used beats of a steady epoch, at most 60 of them.

    Parameters
    ----------
    signals, analysis
        The recording and its analysis.
    epoch_index
        Index of the epoch.

    Returns
    -------
    SingleBeatEstimate
        Means over the beats, and their SD from beat to beat.

    Raises
    ------
    LoadReductionError
        Without volume, or where fewer than three beats give a plausible isovolumic pressure.

    References
    ----------
    Takeuchi et al., Circulation 1991;83:202 (from memory).
    """
    beats, rate = analysis.beats, signals.sample_rate_hz
    if not signals.has_volume or "sv_ml" not in beats.metrics:
        raise LoadReductionError("A single-beat estimate needs a volume channel.")
    rows = np.flatnonzero(beats.used(epoch_index) & np.isfinite(beats.metrics["sv_ml"]))
    rows = rows[:: max(int(np.ceil(rows.size / MOST_BEATS)), 1)]
    found = []
    for row in rows.tolist():
        first = max(int((beats.time_s[row] - signals.start_s - 0.3) * rate), 0)
        stretch = signals.stretch(first, int((beats.end_s[row] - signals.start_s + 0.3) * rate))
        limbs = _isovolumic(stretch.pressure_mmhg, rate, analysis.settings.onset_fraction)
        peak = None if limbs is None else _isovolumic_peak(*limbs)
        esp, esv = beats.metrics["esp_mmhg"][row], beats.metrics["esv_ml"][row]
        if peak is not None and peak > esp:
            ees = (peak - esp) / beats.metrics["sv_ml"][row]
            found.append((ees, peak, esv - esp / ees))
    if len(found) < FEWEST_BEATS:
        raise LoadReductionError(
            f"{len(found)} of {rows.size} beats gave a plausible isovolumic pressure; {FEWEST_BEATS} are needed."
        )
    ees_all, peaks, intercepts = np.array(found).T
    return SingleBeatEstimate(
        float(ees_all.mean()), float(ees_all.std(ddof=1)), float(peaks.mean()), float(intercepts.mean()), len(found)
    )


def _isovolumic(pressure: FloatArray, rate: float, onset_fraction: float) -> tuple[FloatArray, FloatArray] | None:
    """Times and pressures of the two isovolumic parts of the one beat in a stretch."""
    smooth = _low_pass(_bridge(pressure), 40.0, rate)
    slope = _differentiator(COARSE_MS / 2, rate)(smooth)
    middle = slice(int(0.2 * rate), slope.size - int(0.35 * rate))
    if slope[middle].size < FEWEST_SAMPLES:
        return None
    steepest = middle.start + int(slope[middle].argmax())
    falling = steepest + int(slope[steepest : steepest + int(0.7 * rate)].argmin())
    before = np.flatnonzero(slope[:steepest] < onset_fraction * slope[steepest])
    onset = int(before[-1]) + 1 if before.size else 0
    below = np.flatnonzero(smooth[falling:] <= smooth[onset])
    end = falling + (int(below[0]) if below.size else smooth.size - falling)
    index = np.concatenate((np.arange(onset, steepest + 1), np.arange(falling, min(end, smooth.size))))
    return index / rate, smooth[index]
