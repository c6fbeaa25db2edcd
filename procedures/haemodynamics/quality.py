"""What is wrong, odd or missing in the signals; nothing is converted or mended silently."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .results import QualityNote
from .signals import FloatArray, PressureVolumeSignals

FLAT_S = 0.5
CLIPPED_SHARE = 0.001


def missing_runs(x: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and stops of runs of samples that are not finite."""
    bad = np.concatenate(([False], ~np.isfinite(x), [False]))
    edge = np.flatnonzero(np.diff(bad.astype(np.int8)))
    return edge[::2], edge[1::2]


def bridge(x: FloatArray) -> FloatArray:
    """Straight lines over samples that are not finite; the very same array when there are none."""
    good = np.isfinite(x)
    if good.all():
        return x
    if not good.any():
        return np.zeros_like(x)
    return np.interp(np.arange(x.size), np.flatnonzero(good), x[good])


def flat_runs(x: FloatArray, sample_rate_hz: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and stops of stretches of half a second or more without any change."""
    still = np.concatenate(([False], np.diff(x) == 0, [False]))
    edge = np.flatnonzero(np.diff(still.astype(np.int8)))
    starts, stops = edge[::2], edge[1::2] + 1
    long = stops - starts >= FLAT_S * sample_rate_hz
    return starts[long], stops[long]


def clipped_share(x: FloatArray) -> float:
    """Share of samples cut off at the very largest or smallest value.

    Runs of three or more at the limit count when the signal ran into them: with a slope of a quarter of its
    steepest. A volume at rest between two valve movements is flat too, but comes to it gently.
    """
    worst, steepest = 0.0, float(np.abs(np.diff(x)).max(initial=0.0))
    for limit in (x.max(), x.min()):
        at = np.concatenate(([False], x == limit, [False]))
        edge = np.flatnonzero(np.diff(at.astype(np.int8)))
        starts, stops = edge[::2], edge[1::2]
        entry = np.abs(x[starts] - x[np.maximum(starts - 1, 0)])
        cut = (stops - starts >= 3) & (entry > 0.25 * steepest)
        worst = max(worst, float((stops - starts)[cut].sum()) / x.size)
    return worst


def channel_notes(name: str, raw: FloatArray, sample_rate_hz: float) -> list[QualityNote]:
    """Gaps, flat stretches and clipping of one channel."""
    notes = []
    finite = raw[np.isfinite(raw)]
    if finite.size < raw.size:
        percent = 100 * (1 - finite.size / raw.size)
        notes.append(QualityNote("gaps", f"{percent:.2g} % of the samples are missing.", name))
    if finite.size < 16:
        return notes
    if np.ptp(finite) == 0:
        return [*notes, QualityNote("flat", "The channel never changes.", name, severity="error")]
    starts, stops = flat_runs(raw, sample_rate_hz)
    flat = float((stops - starts).sum()) / raw.size
    if flat > 0:
        notes.append(QualityNote("flat", f"The channel does not change for {100 * flat:.2g} % of the time.", name))
    share = clipped_share(finite)
    if share > CLIPPED_SHARE and flat == 0:
        text = f"The channel is held at its limit for {100 * share:.2g} % of the time: it looks clipped."
        notes.append(QualityNote("clipped", text, name))
    return notes


def unit_notes(signals: PressureVolumeSignals) -> list[QualityNote]:
    """Values that look like another unit: asked about, never converted."""
    notes = []
    sample = signals.pressure_mmhg[np.isfinite(signals.pressure_mmhg)][::7]
    if sample.size:
        high, low = np.percentile(sample, (99, 1))
        if 5 < high < 35 and high - low < 30:
            text = f"Pressures reach only {high:.1f}: is the channel in kPa (or a right-sided pressure)?"
            notes.append(QualityNote("unit_doubt", text, "P_LV"))
        elif 0 < high < 5:
            notes.append(QualityNote("unit_doubt", f"Pressures reach only {high:.2g}: is the channel in V?", "P_LV"))
        elif high > 1000:
            notes.append(QualityNote("unit_doubt", f"Pressures reach {high:.0f}: is the channel in Pa?", "P_LV"))
        elif low < -15:
            text = f"Pressures fall to {low:.0f} mmHg: check the zero of the pressure channel."
            notes.append(QualityNote("zero_shift", text, "P_LV"))
    total = signals.total_ml
    if total is not None:
        typical = float(np.nanmedian(total[::7])) if np.isfinite(total[::7]).any() else float("nan")
        if 0 < abs(typical) < 5:
            text = f"Volumes are about {typical:.2g}: is the channel in L or V, or not calibrated?"
            notes.append(QualityNote("unit_doubt", text, "V_LV"))
        elif typical > 2000:
            notes.append(QualityNote("unit_doubt", f"Volumes are about {typical:.0f}: is it in mm3 or µL?", "V_LV"))
        elif typical < 0:
            notes.append(QualityNote("volume_negative", "Most volumes are negative: check the calibration.", "V_LV"))
    return notes


def segment_notes(signals: PressureVolumeSignals) -> list[QualityNote]:
    """Segments that hardly belong to the ventricle: opposite phase, no stroke, or mostly negative."""
    if signals.segments_ml is None or signals.total_ml is None:
        return []
    step = max(int(signals.sample_rate_hz // 50), 1)
    rows, total = signals.segments_ml[:, ::step], signals.total_ml[::step]
    good = np.isfinite(total)
    if good.sum() < 100:
        return []
    rows, total = rows[:, good], total[good]
    notes = []
    moved, whole = rows - rows.mean(axis=1, keepdims=True), total - total.mean()
    power = float(whole @ whole)
    share = moved @ whole / power if power > 0 else np.zeros(len(rows))
    for index, part in enumerate(share):
        name = f"V_{index + 1}"
        if part < -0.02:
            text = f"Moves against the whole ventricle ({100 * part:.0f} % of its stroke): outside the ventricle?"
            notes.append(QualityNote("segment_out_of_phase", text, name))
        elif abs(part) < 0.01:
            notes.append(QualityNote("segment_still", "Takes no part in the stroke: outside the ventricle?", name))
        if np.median(rows[index]) < 0:
            notes.append(QualityNote("segment_negative", "Is mostly negative: check the calibration.", name))
    return notes


def order_notes(segments: FloatArray) -> list[QualityNote]:
    """A ventricle is narrow at the apex: the first segment should not be the largest by far."""
    typical = np.nanmedian(segments[:, ::7], axis=1) if np.isfinite(segments[:, ::7]).any(axis=1).all() else None
    if typical is None or not (typical[0] == typical.max() and typical[0] > 1.5 * typical[-1] > 0):
        return []
    text = "The first segment is the largest: segments should run from apex to base. Are they in reverse order?"
    return [QualityNote("segment_order", text, "V_1")]


def drift_notes(p_min_mmhg: FloatArray, used: NDArray[np.bool_]) -> list[QualityNote]:
    """Diastolic pressures that move by more than 5 mmHg from the first to the last quarter of the used beats."""
    values = p_min_mmhg[used & np.isfinite(p_min_mmhg)]
    quarter = values.size // 4
    if quarter < 4:
        return []
    shift = float(np.median(values[-quarter:]) - np.median(values[:quarter]))
    if abs(shift) <= 5:
        return []
    text = f"The smallest pressure of a beat moved by {shift:+.0f} mmHg over the recording: check the catheter's zero."
    return [QualityNote("pressure_drift", text, "P_LV")]


def signal_notes(signals: PressureVolumeSignals) -> list[QualityNote]:
    """Everything to be said about the channels as they came."""
    rate = signals.sample_rate_hz
    notes = channel_notes("P_LV", signals.pressure_mmhg, rate)
    if signals.segments_ml is not None:
        for index, row in enumerate(signals.segments_ml):
            notes += channel_notes(f"V_{index + 1}", row, rate)
    elif signals.volume_ml is not None:
        notes += channel_notes("V_LV", signals.volume_ml, rate)
    order = [] if signals.segments_ml is None else order_notes(signals.segments_ml)
    return [*notes, *unit_notes(signals), *segment_notes(signals), *order]
