"""Conductance to volume: spacing, resistivity, slope factor alpha and parallel volume.

Baan et al., Circulation 1984;70:812 (from memory; the total-volume form seen in a teaching text).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import stats

from ..signals import FloatArray

FEWEST_BEATS = 4
SMALLEST_CORRELATION = 0.65
SMALLEST_EDV_RANGE = 0.05
WIDEST_SHARE = 0.075


class CalibrationError(ValueError):
    """A calibration that must not be used; the message says why."""


class Convention(StrEnum):
    """Order of the two corrections; both give the same volume when Vc is kept in the matching form.

    ``SUBTRACT_THEN_SCALE``: V = (V_raw − Vc_raw)/alpha. ``SCALE_THEN_SUBTRACT``: V = V_raw/alpha − Vc.
    """

    SUBTRACT_THEN_SCALE = "subtract_then_scale"
    SCALE_THEN_SUBTRACT = "scale_then_subtract"


@dataclass(frozen=True)
class Calibration:
    """One set of constants, valid from a moment of the recording on.

    Attributes
    ----------
    resistivity_ohm_cm, spacing_cm
        Blood resistivity and distance between electrodes; only conductances need them, so that volumes a recorder has
        made from conductances already can be corrected without.
    alpha
        Slope factor, conductance stroke volume over reference stroke volume.
    parallel_ml
        Parallel volume of the whole catheter in the form that ``convention`` asks for.
    valid_from_s
        Start of its validity on the recording's clock.
    excluded
        Numbers (1 to 7, from the apex) of segments outside the ventricle, which are left out.
    """

    resistivity_ohm_cm: float | None = None
    spacing_cm: float | None = None
    alpha: float = 1.0
    parallel_ml: float = 0.0
    convention: Convention = Convention.SUBTRACT_THEN_SCALE
    valid_from_s: float = float("-inf")
    excluded: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        for name in ("resistivity_ohm_cm", "spacing_cm", "alpha"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise CalibrationError(f"{name} must be above zero, but is {value}.")
        if not np.isfinite(self.parallel_ml):
            raise CalibrationError("parallel_ml must be a number.")


def raw_volume_ml(conductance_ms: FloatArray, resistivity_ohm_cm: float, spacing_cm: float) -> FloatArray:
    """Volumes before slope factor and parallel volume, rho·L²·G.

    Parameters
    ----------
    conductance_ms
        Conductances, mS, any shape.
    resistivity_ohm_cm, spacing_cm
        Resistivity of blood, ohm·cm, and distance between electrodes, cm.

    Returns
    -------
    ndarray
        Volumes in mL, same shape; NaN where the conductance is NaN.

    References
    ----------
    Baan et al., Circulation 1984;70:812 (from memory).
    """
    return np.asarray(resistivity_ohm_cm * spacing_cm**2 * np.asarray(conductance_ms, dtype=float) / 1000.0)


def _corrected_volume_ml(raw_ml: FloatArray, calibration: Calibration) -> FloatArray:
    """Volumes, mL, under alpha and parallel volume from uncorrected ones of shape (k, n) or (n,).

    The parallel volume is shared out evenly over rows.
    """
    raw = np.asarray(raw_ml, dtype=float)
    share = calibration.parallel_ml / (raw.shape[0] if raw.ndim == 2 else 1)
    if calibration.convention is Convention.SUBTRACT_THEN_SCALE:
        return np.asarray((raw - share) / calibration.alpha)
    return np.asarray(raw / calibration.alpha - share)


def calibrated_volume_ml(conductance_ms: FloatArray, calibration: Calibration) -> FloatArray:
    """Volumes from conductances under one calibration.

    Parameters
    ----------
    conductance_ms
        Conductances, mS, shape (k, n) for segments or (n,).
    calibration
        The constants.

    Returns
    -------
    ndarray
        Volumes in mL, same shape; NaN where the conductance is NaN. Segments share the parallel volume evenly.

    Raises
    ------
    CalibrationError
        If spacing or resistivity is not known.

    References
    ----------
    V = (1/alpha)·(rho·L²·G) − Vp: Baan et al., Circulation 1984;70:812 (from memory).
    """
    if calibration.resistivity_ohm_cm is None or calibration.spacing_cm is None:
        raise CalibrationError("Conductances need the electrode spacing and the blood resistivity of each calibration.")
    raw = raw_volume_ml(conductance_ms, calibration.resistivity_ohm_cm, calibration.spacing_cm)
    return _corrected_volume_ml(raw, calibration)


def calibrate(conductance_ms: FloatArray, time_s: FloatArray, calibrations: Sequence[Calibration]) -> FloatArray:
    """Volumes from conductances under several calibrations in turn; NaN before the first becomes valid.

    Parameters
    ----------
    conductance_ms
        Shape (k, n) or (n,), mS.
    time_s
        Time of each sample, ascending, shape (n,).
    calibrations
        In any order; each holds from its ``valid_from_s`` until the next one's.

    Returns
    -------
    ndarray
        Volumes in mL, shape of ``conductance_ms``; NaN before the first calibration and where the conductance is NaN.

    Raises
    ------
    CalibrationError
        If there is none, two begin at the same moment, or one lacks spacing or resistivity.

    References
    ----------
    V = (1/alpha)·(rho·L²·G) − Vp: Baan et al., Circulation 1984;70:812 (from memory).
    """
    return _in_turn(calibrated_volume_ml, conductance_ms, time_s, calibrations)


def correct(raw_ml: FloatArray, time_s: FloatArray, calibrations: Sequence[Calibration]) -> FloatArray:
    """Volumes from uncorrected volumes under several calibrations in turn, as :func:`calibrate` does from conductances.

    Parameters
    ----------
    raw_ml
        Volumes before alpha and parallel volume, mL, shape (k, n) or (n,).
    time_s
        Time of each sample, ascending, s, shape (n,).
    calibrations
        In any order; each holds from its ``valid_from_s`` until the next one's.

    Returns
    -------
    ndarray
        Volumes in mL, shape of ``raw_ml``; NaN before the first calibration and where the volume is NaN.

    Raises
    ------
    CalibrationError
        If there is none, or two begin at the same moment.

    References
    ----------
    As :func:`calibrate`: Baan et al., Circulation 1984;70:812 (from memory).
    """
    return _in_turn(_corrected_volume_ml, raw_ml, time_s, calibrations)


def _in_turn(
    apply: Callable[[FloatArray, Calibration], FloatArray],
    signal: FloatArray,
    time_s: FloatArray,
    calibrations: Sequence[Calibration],
) -> FloatArray:
    ordered = sorted(calibrations, key=lambda item: item.valid_from_s)
    starts = [item.valid_from_s for item in ordered]
    if not ordered:
        raise CalibrationError("No calibration was given.")
    if len(set(starts)) < len(starts):
        raise CalibrationError("Two calibrations begin at the same moment.")
    edges = [*np.searchsorted(time_s, starts), time_s.size]
    volume = np.full(np.shape(signal), np.nan)
    for item, first, last in zip(ordered, edges[:-1], edges[1:], strict=True):
        volume[..., first:last] = apply(signal[..., first:last], item)
    return volume


def slope_factor(conductance_sv_ml: float, reference_sv_ml: float) -> float:
    """Alpha from the stroke volume by conductance and by a reference (thermodilution, flow, imaging).

    Parameters
    ----------
    conductance_sv_ml
        Stroke volume by conductance under alpha 1, mL.
    reference_sv_ml
        Stroke volume by the reference, mL.

    Returns
    -------
    float
        Their ratio, without unit.

    Raises
    ------
    CalibrationError
        If either is NaN or not above zero, or alpha falls outside 0.2 to 2 (own choice: beyond belief).

    References
    ----------
    Baan et al., Circulation 1984;70:812 (from memory).
    """
    if not (conductance_sv_ml > 0 and reference_sv_ml > 0):
        raise CalibrationError("Both stroke volumes must be above zero.")
    alpha = conductance_sv_ml / reference_sv_ml
    if not 0.2 <= alpha <= 2:
        raise CalibrationError(f"Alpha would be {alpha:.2f}; check both stroke volumes.")
    return alpha


@dataclass(frozen=True)
class ParallelVolume:
    """Parallel volume from a saline wash-in: where the line of ESV on EDV meets ESV = EDV.

    ``standard_error_ml`` by the delta method from the covariance of slope and intercept; ``low_ml`` and ``high_ml``
    are the 95 % interval (t on n − 2).
    """

    parallel_ml: float
    standard_error_ml: float
    slope: float
    intercept_ml: float
    correlation: float
    beats: int
    low_ml: float
    high_ml: float


def rising_limb(edv_ml: FloatArray) -> slice:
    """Beats of a wash-in from the first clear rise of EDV to its peak.

    Our own definition: the rise is clear at a tenth of the whole, over the median of the first five beats.

    Parameters
    ----------
    edv_ml
        Uncorrected end-diastolic volume of each beat, mL, shape (n,).

    Returns
    -------
    slice
        Of the beats, the peak included.

    Raises
    ------
    CalibrationError
        With fewer than 4 beats, or where a volume is NaN.
    """
    edv = np.asarray(edv_ml, dtype=float)
    if edv.size < FEWEST_BEATS or not np.isfinite(edv).all():
        raise CalibrationError(f"A wash-in needs {FEWEST_BEATS} beats or more with a volume each.")
    peak = int(edv.argmax())
    base = float(np.median(edv[: max(min(peak, 5), 1)]))
    below = np.flatnonzero(edv[: peak + 1] <= base + 0.1 * (edv[peak] - base))
    return slice(int(below[-1]) if below.size else 0, peak + 1)


def parallel_volume(edv_ml: FloatArray, esv_ml: FloatArray, regress: str = "esv_on_edv") -> ParallelVolume:
    """Parallel volume from the beats of a wash-in's rising limb.

    Parameters
    ----------
    edv_ml, esv_ml
        Uncorrected volumes of the beats, shape (n,).
    regress
        ``esv_on_edv`` (default) or ``edv_on_esv``; they differ (Herrera et al., Med Biol Eng Comput 1999;37:169).

    Returns
    -------
    ParallelVolume
        Beats of which either volume is NaN are left out of it.

    Raises
    ------
    CalibrationError
        With fewer than 4 beats, an EDV range below 5 % of the mean, a correlation below 0.65, a slope of 1 or more,
        a negative result, or a 95 % interval that reaches further from it than 7.5 % of the mean EDV (project choice:
        every volume and the ejection fraction would be as uncertain).
    """
    edv, esv = np.asarray(edv_ml, dtype=float), np.asarray(esv_ml, dtype=float)
    good = np.isfinite(edv) & np.isfinite(esv)
    edv, esv = edv[good], esv[good]
    if edv.size < FEWEST_BEATS:
        raise CalibrationError(f"The wash-in has {edv.size} usable beats; {FEWEST_BEATS} are needed.")
    if np.ptp(edv) < SMALLEST_EDV_RANGE * edv.mean():
        raise CalibrationError(
            f"End-diastolic volume rose by only {100 * np.ptp(edv) / edv.mean():.1f} %; "
            f"{100 * SMALLEST_EDV_RANGE:g} % or more is needed."
        )
    swapped = regress == "edv_on_esv"
    if not swapped and regress != "esv_on_edv":
        raise ValueError(f"regress must be 'esv_on_edv' or 'edv_on_esv', not {regress!r}.")
    x, y = (esv, edv) if swapped else (edv, esv)
    fit = stats.linregress(x, y)
    slope, intercept, correlation = float(fit.slope), float(fit.intercept), float(fit.rvalue)
    if correlation < SMALLEST_CORRELATION:
        raise CalibrationError(f"ESV follows EDV too loosely (r = {correlation:.2f}; 0.65 is needed).")
    if (slope >= 1) != swapped:
        raise CalibrationError(f"The slope is {slope:.2f}: the line does not meet ESV = EDV below the data.")
    volume = intercept / (1 - slope)
    if volume < 0:
        raise CalibrationError(f"The parallel volume would be negative ({volume:.1f} mL).")
    variance_b, covariance = fit.intercept_stderr**2, -float(x.mean()) * fit.stderr**2
    gradient_a, gradient_b = volume / (1 - slope), 1 / (1 - slope)
    variance = gradient_a**2 * fit.stderr**2 + gradient_b**2 * variance_b + 2 * gradient_a * gradient_b * covariance
    error = float(np.sqrt(max(variance, 0.0)))
    half = float(stats.t.ppf(0.975, edv.size - 2)) * error
    widest = WIDEST_SHARE * float(edv.mean())
    if half > widest:
        raise CalibrationError(
            f"The parallel volume would be {volume:.0f} mL, 95 % interval {volume - half:.0f} to {volume + half:.0f} "
            f"mL; ±{widest:.0f} mL ({100 * WIDEST_SHARE:g} % of the end-diastolic volume) or less is needed. "
            "Repeat the wash-in, with a larger rise or more beats."
        )
    return ParallelVolume(volume, error, slope, intercept, correlation, int(edv.size), volume - half, volume + half)
