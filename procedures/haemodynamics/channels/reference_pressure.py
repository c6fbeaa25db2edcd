"""Level and scale of the ventricular pressure: against the aorta, against a baseline that returns, or not to be told.

While the aortic valve is open the pressures on its two sides are nearly the same. A zero that is off shifts the lowest
pressure of a beat as much as the highest; a wrong scale multiplies both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..results import QualityNote
from ..signals import EpochWindow, FloatArray
from ..windows import IntArray
from .checks import Thinned

CM_WATER_PER_MMHG = 1.35951
UNIT_NEAR = 0.09
# Lowest pressure of a beat that is still likely, mmHg, and how far from the aorta is asked about: project choices.
LOWEST_LIKELY = (-8.0, 20.0)
ALREADY_SAID = -15.0  # lower ones are asked about with the channel itself
# While blood is speeding up the ventricle leads the aorta by some mmHg, more where the pressure is high.
FROM_AORTA, FROM_AORTA_SHARE = 12.0, 0.1
MOVED = 6.0
ALIKE = 0.05
SCALED = 0.12
FEWEST_BEATS, FEWEST_SAMPLES = 5, 30


def _level_notes(
    thinned: Thinned,
    metrics: Mapping[str, FloatArray],
    used: NDArray[np.bool_],
    epoch: IntArray,
    windows: Sequence[EpochWindow],
) -> list[QualityNote]:
    """What is to be said about the zero and the scale of the ventricular pressure."""
    if np.count_nonzero(used) < FEWEST_BEATS:
        return []
    lowest = float(np.nanmedian(metrics["p_min_mmhg"][used]))
    peak = float(np.nanmedian(metrics["p_max_mmhg"][used]))
    if thinned.aortic_mmhg is not None and (gap := _gap_to_aorta(thinned, slice(None))) is not None:
        return _aortic_notes(thinned, gap, peak, lowest, windows)
    return [*_alone_notes(lowest, peak), *_baseline_notes(metrics, used, epoch, windows)]


def _ejection(thinned: Thinned, part: slice) -> tuple[FloatArray, FloatArray] | None:
    """Ventricular and aortic pressure while the aortic valve is likely to be open."""
    left, aorta = thinned.pressure_mmhg[part], thinned.aortic_mmhg
    if aorta is None:
        return None
    aorta = aorta[part]
    good = np.isfinite(left) & np.isfinite(aorta)
    left, aorta = left[good], aorta[good]
    if left.size < FEWEST_SAMPLES:
        return None
    (low, high), (floor, top) = np.percentile(left, (2, 98)), np.percentile(aorta, (2, 98))
    if top - floor < 5:  # no pulse: the channel is not connected
        return None
    both = (left > low + 0.75 * (high - low)) & (aorta > floor + 0.5 * (top - floor))
    return (left[both], aorta[both]) if np.count_nonzero(both) >= FEWEST_SAMPLES else None


def _gap_to_aorta(thinned: Thinned, part: slice) -> tuple[float, float] | None:
    """Median of ventricular minus aortic pressure in ejection, mmHg, and the median of their ratio."""
    pair = _ejection(thinned, part)
    if pair is None or not (pair[1] > 10).all():
        return None
    left, aorta = pair
    return float(np.median(left - aorta)), float(np.median(left / aorta))


def _aortic_notes(
    thinned: Thinned, gap: tuple[float, float], peak: float, lowest: float, windows: Sequence[EpochWindow]
) -> list[QualityNote]:
    difference, ratio = gap
    notes = []
    likely = LOWEST_LIKELY[0] <= lowest <= LOWEST_LIKELY[1]
    for factor, words in ((CM_WATER_PER_MMHG, "cmH2O, not mmHg"), (1 / CM_WATER_PER_MMHG, "aortic pressure in cmH2O")):
        if abs(ratio / factor - 1) < UNIT_NEAR and likely:
            percent = round(100 * abs(1 - 1 / factor), 0)
            text = (
                f"In ejection the ventricular pressure is {ratio:.2f} times the aortic: {words}? Every pressure and "
                f"dP/dt is then off by {percent:.0f} %. Changes against baseline hold. Check the unit of both channels."
            )
            bound = dict.fromkeys(("edp_mmhg", "dpdt_max_mmhg_per_s", "stroke_work_mmhg_ml"), percent)
            return [QualityNote("pressure_scale", text, "P_LV", bound_percent=bound)]
    if abs(difference) > max(FROM_AORTA, FROM_AORTA_SHARE * peak):
        stroke = max(peak - lowest, 1.0)
        text = (
            f"In ejection the ventricular pressure is {difference:+.0f} mmHg against the aortic. Check the zero and "
            "the height of both transducers; a narrowed outflow also does this. If it is the zero, EDP is off by "
            f"{abs(difference):.0f} mmHg and stroke work by about {100 * abs(difference) / stroke:.0f} %; "
            "dP/dt max is not."
        )
        bound = {"stroke_work_mmhg_ml": round(100 * abs(difference) / stroke, 0)}
        notes.append(QualityNote("pressure_zero", text, "P_LV", bound_percent=bound))
    for window in windows if len(windows) > 1 else ():
        own = _gap_to_aorta(thinned, thinned.between(window.start_s, window.end_s))
        if own is not None and abs(own[0] - difference) > MOVED:
            text = (
                f"Against the aortic pressure the ventricular pressure moved by {own[0] - difference:+.0f} mmHg in "
                "this epoch: check the zero, and do not compare its pressures with the others."
            )
            bound = {"stroke_work_mmhg_ml": round(100 * abs(own[0] - difference) / max(peak - lowest, 1.0), 0)}
            notes.append(QualityNote("pressure_moved", text, "P_LV", window.label, "warning", (window.label,), bound))
    return notes


def _alone_notes(lowest: float, peak: float) -> list[QualityNote]:
    text = (
        "Without an aortic pressure, the scale of the ventricular pressure cannot be told, nor a zero that is off by a "
        f"little. Compare the peak of {peak:.0f} mmHg with a cuff. A wrong scale leaves changes against baseline in "
        "percent as they are; a wrong zero leaves dP/dt max as it is."
    )
    notes = [QualityNote("pressure_level_not_told", text, "P_LV", severity="info")]
    if not LOWEST_LIKELY[0] <= lowest <= LOWEST_LIKELY[1] and lowest > ALREADY_SAID:
        text = (
            f"The lowest pressure of a beat is {lowest:.0f} mmHg, which is unlikely: check the zero and the height of "
            "the transducer. EDP, tau with zero asymptote and stroke work are not reliable until then; dP/dt max is "
            "not touched."
        )
        notes.insert(0, QualityNote("pressure_zero", text, "P_LV"))
    return notes


def _baseline_notes(
    metrics: Mapping[str, FloatArray], used: NDArray[np.bool_], epoch: IntArray, windows: Sequence[EpochWindow]
) -> list[QualityNote]:
    """Zero, scale or volume level that moved from one baseline to the next, which no site can have done."""
    returns = [index for index, window in enumerate(windows) if window.label.casefold().startswith("baseline")]
    if len(windows) < 2:
        return []
    if len(returns) < 2:
        text = (
            "The baseline was recorded once at most, so a change of zero or gain during the recording cannot be told "
            "from the effect of a site. Record a baseline before and after."
        )
        return [QualityNote("gain_not_told", text, severity="info")]
    notes = []

    def typical(key: str, index: int) -> float:
        column = metrics.get(key)
        chosen = used & (epoch == index)
        if column is None or np.count_nonzero(chosen & np.isfinite(column)) < FEWEST_BEATS:
            return float("nan")
        return float(np.nanmedian(column[chosen]))

    for first, second in pairwise(returns):
        touched = tuple(dict.fromkeys(window.label for window in windows[first + 1 : second + 1]))
        low, high, end, start, rise, fall = (
            (typical(key, first), typical(key, second))
            for key in ("p_min_mmhg", "p_max_mmhg", "edv_ml", "esv_ml", "dpdt_max_mmhg_per_s", "dpdt_min_mmhg_per_s")
        )
        bottom, top = low[1] - low[0], high[1] - high[0]
        if abs(bottom) > MOVED and abs(top - bottom) < 0.5 * abs(bottom):
            percent = round(100 * abs(bottom) / max(high[0] - low[0], 1.0), 0)
            text = (
                f"From one baseline to the next all pressures moved by {bottom:+.0f} mmHg: the zero moved. EDP and "
                f"stroke work (by about {percent:.0f} %) of the epochs in between cannot be compared; dP/dt max can."
            )
            bound = {"stroke_work_mmhg_ml": percent}
            notes.append(QualityNote("pressure_moved", text, "P_LV", None, "warning", touched, bound))
        ratios = np.array([(high[1] - low[1]) / (high[0] - low[0]), rise[1] / rise[0], fall[1] / fall[0]])
        if np.isfinite(ratios).all() and abs(ratios.mean() - 1) > SCALED and np.ptp(ratios) < ALIKE:
            percent = round(100 * abs(float(ratios.mean()) - 1), 0)
            text = (
                f"From one baseline to the next pulse pressure, dP/dt max and dP/dt min all changed by the same "
                f"{100 * (float(ratios.mean()) - 1):+.0f} %: the gain of the pressure may have changed. Check it; the "
                "epochs in between may be off by as much."
            )
            bound = dict.fromkeys(("dpdt_max_mmhg_per_s", "stroke_work_mmhg_ml"), percent)
            notes.append(QualityNote("pressure_gain_moved", text, "P_LV", None, "warning", touched, bound))
        wide, narrow = end[1] - end[0], start[1] - start[0]
        stroke = end[0] - start[0]
        if (
            np.isfinite([wide, narrow]).all()
            and min(abs(wide), abs(narrow)) > 0.08 * end[0]
            and (abs(wide - narrow) < 0.1 * stroke and wide * narrow > 0)
        ):
            percent = round(100 * abs(wide) / end[0], 0)
            text = (
                f"From one baseline to the next EDV and ESV both moved by {wide:+.0f} mL while stroke volume stayed: "
                f"the volume calibration moved. Ejection fraction of the epochs in between may be off by {percent:.0f} "
                "%. Calibrate again."
            )
            bound = {"ef_percent": percent}
            notes.append(QualityNote("volume_moved", text, "V_LV", None, "warning", touched, bound))
    return notes
