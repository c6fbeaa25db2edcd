"""What looks like another unit, a shifted zero, or segments that hardly belong: asked about, never converted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..results import QualityNote
from ..signals import FloatArray

LARGEST_SHARE = 0.6
HOLLOW = 0.5


def _pressure_notes(pressure: FloatArray) -> list[QualityNote]:
    """Pressures in another unit than mmHg, or a shifted zero; ``pressure``: samples of the whole recording."""
    sample = pressure[np.isfinite(pressure)]
    if sample.size == 0:
        return []
    high, low = np.percentile(sample, (99, 1))
    if 5 < high < 35 and high - low < 30:
        text = f"Pressures reach only {high:.1f}: is the channel in kPa (or a right-sided pressure)?"
        return [QualityNote("unit_doubt", text, "P_LV")]
    if 0 < high < 5:
        return [QualityNote("unit_doubt", f"Pressures reach only {high:.2g}: is the channel in V?", "P_LV")]
    if high > 1000:
        return [QualityNote("unit_doubt", f"Pressures reach {high:.0f}: is the channel in Pa?", "P_LV")]
    if low < -15:
        text = f"Pressures fall to {low:.0f} mmHg: check the zero of the pressure channel."
        return [QualityNote("zero_shift", text, "P_LV")]
    return []


def _volume_notes(total: FloatArray) -> list[QualityNote]:
    """Volumes in another unit than mL, or not calibrated; ``total``: samples of the whole recording."""
    sample = total[np.isfinite(total)]
    typical = float(np.median(sample)) if sample.size else float("nan")
    if 0 < abs(typical) < 5:
        text = f"Volumes are about {typical:.2g}: is the channel in L or V, or not calibrated?"
        return [QualityNote("unit_doubt", text, "V_LV")]
    if typical > 2000:
        return [QualityNote("unit_doubt", f"Volumes are about {typical:.0f}: is it in mm3 or µL?", "V_LV")]
    if typical < 0:
        return [QualityNote("volume_negative", "Most volumes are negative: check the calibration.", "V_LV")]
    return []


def _segment_notes(segments: FloatArray) -> list[QualityNote]:
    """Segments that hardly belong to the ventricle, or not in this order; ``segments``: samples of shape (k, n)."""
    rows = segments[:, np.isfinite(segments).all(axis=0)]
    if rows.shape[1] < 100:
        return []
    total = rows.sum(axis=0)
    notes = []
    moved, whole = rows - rows.mean(axis=1, keepdims=True), total - total.mean()
    power = float(whole @ whole)
    share = moved @ whole / power if power > 0 else np.zeros(len(rows))
    typical = np.median(rows, axis=1)
    for index, part in enumerate(share):
        name = f"V_{index + 1}"
        if part < -0.02:
            text = f"Moves opposite to the whole ventricle ({100 * part:.0f} % of its stroke): outside the ventricle?"
            notes.append(QualityNote("segment_out_of_phase", text, name))
        elif abs(part) < 0.01:
            notes.append(QualityNote("segment_still", "Takes no part in the stroke: outside the ventricle?", name))
        if typical[index] < 0:
            notes.append(QualityNote("segment_negative", "Is mostly negative: check the calibration.", name))
        elif typical[index] > LARGEST_SHARE * typical.sum() > 0:
            text = (
                f"Holds {100 * typical[index] / typical.sum():.0f} % of the whole volume alone: is this the total, "
                "or another unit?"
            )
            notes.append(QualityNote("segment_implausible", text, name))
    return notes + _order_notes(typical)


def _order_notes(typical: FloatArray) -> list[QualityNote]:
    """A ventricle is narrow at the apex and widest about its middle (project choice of the limits)."""
    if not (typical > 0).all():
        return []
    if typical[0] == typical.max() and typical[0] > 1.5 * typical[-1]:
        text = "The first segment is the largest: segments should run from apex to base. Are they in reverse order?"
        return [QualityNote("segment_order", text, "V_1")]
    notes = []
    for index in range(1, typical.size - 1):
        beside = min(typical[:index].max(), typical[index + 1 :].max())
        if typical[index] < HOLLOW * beside:
            text = (
                f"Holds {typical[index]:.0f} mL between segments of {beside:.0f} mL and more on either side: "
                "are the segments in order from apex to base, and does its electrode work?"
            )
            notes.append(QualityNote("segment_order", text, f"V_{index + 1}"))
    return notes


def _drift_notes(p_min_mmhg: FloatArray, used: NDArray[np.bool_]) -> list[QualityNote]:
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
