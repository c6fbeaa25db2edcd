"""What is computed from a lead's thresholds: strength-duration curve, energy, safety margin, phrenic margin."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from .ecg import ElectrocardiogramError, FloatArray


@dataclass(frozen=True)
class StrengthDuration:
    """Threshold = rheobase · (1 + chronaxie / width).

    Attributes
    ----------
    rheobase_v, chronaxie_ms
        Fitted.
    rheobase_interval_v, chronaxie_interval_ms
        95 %; None with two widths, where nothing is left to judge the fit by, or where the interval has no end.
    residual_sd_v
        Spread of the thresholds about the curve, V; None with two widths.
    """

    rheobase_v: float
    chronaxie_ms: float
    rheobase_interval_v: tuple[float, float] | None
    chronaxie_interval_ms: tuple[float, float] | None
    residual_sd_v: float | None

    def threshold_v(self, width_ms: float) -> float:
        """Threshold at a pulse width, by the curve."""
        return self.rheobase_v * (1.0 + self.chronaxie_ms / width_ms)


def fit_strength_duration(widths_ms: Sequence[float], thresholds_v: Sequence[float]) -> StrengthDuration:
    """Fit Lapicque's hyperbola, I = b(1 + c/d) (Geddes, IEEE Trans Biomed Eng 2004;51:176).

    V = b + (b·c)/d is linear in b and b·c and is fitted by least squares in V, since thresholds are found in equal
    steps of voltage. The interval of chronaxie, a ratio of two fitted values, is Fieller's (1954).

    Parameters
    ----------
    widths_ms, thresholds_v : (n,)
        Pulse widths and capture thresholds, n >= 2 with two different widths.

    Returns
    -------
    StrengthDuration
        Rheobase in V, chronaxie in ms, each with its 95 % interval.

    Raises
    ------
    ElectrocardiogramError
        Where there are too few, a value is NaN or not above zero, or the thresholds do not fall with width.
    """
    width, threshold = np.asarray(widths_ms, dtype=float), np.asarray(thresholds_v, dtype=float)
    if width.shape != threshold.shape or width.ndim != 1:
        raise ElectrocardiogramError("Each pulse width needs one threshold.")
    if not (np.all(np.isfinite(width)) and np.all(np.isfinite(threshold)) and np.all(width > 0)):
        raise ElectrocardiogramError("Pulse widths and thresholds must be numbers above zero.")
    if np.any(threshold <= 0):
        raise ElectrocardiogramError("Thresholds must be above zero.")
    if np.unique(width).size < 2:
        raise ElectrocardiogramError("A strength-duration curve needs thresholds at two pulse widths or more.")
    design = np.stack((np.ones_like(width), 1.0 / width), axis=1)
    (base, slope), *_ = np.linalg.lstsq(design, threshold, rcond=None)
    if not (base > 0 and slope > 0):
        raise ElectrocardiogramError(
            "The thresholds do not fall with pulse width as a strength-duration curve does; check them."
        )
    free = width.size - 2
    if free < 1:
        return StrengthDuration(float(base), float(slope / base), None, None, None)
    residual = threshold - design @ np.array([base, slope])
    variance = float(residual @ residual) / free
    covariance = variance * np.linalg.inv(design.T @ design)
    t = float(stats.t.ppf(0.975, free))
    half = t * math.sqrt(covariance[0, 0])
    return StrengthDuration(
        float(base),
        float(slope / base),
        (float(base - half), float(base + half)),
        _fieller(float(slope), float(base), covariance, t),
        math.sqrt(variance),
    )


def pulse_energy_uj(amplitude_v: float, width_ms: float, impedance_ohm: float) -> float:
    """Energy of a rectangular pulse, E = V²·t/R.

    Parameters
    ----------
    amplitude_v
        Amplitude, V; its droop over the pulse is left out of account.
    width_ms
        Pulse width, ms.
    impedance_ohm
        Pacing impedance, Ω.

    Returns
    -------
    float
        Microjoules.

    Raises
    ------
    ElectrocardiogramError
        Where a value is NaN or not above zero.

    Notes
    -----
    Ohm's law; common practice, no source.
    """
    _positive(amplitude=amplitude_v, width=width_ms, impedance=impedance_ohm)
    return amplitude_v**2 * width_ms / impedance_ohm * 1000.0


def safety_margin(output_v: float, threshold_v: float) -> float:
    """Output over threshold, at one pulse width (common practice, no source).

    Parameters
    ----------
    output_v, threshold_v
        Programmed amplitude and capture threshold, V.

    Returns
    -------
    float
        Ratio, without unit.

    Raises
    ------
    ElectrocardiogramError
        Where a value is NaN or not above zero.
    """
    _positive(output=output_v, threshold=threshold_v)
    return output_v / threshold_v


def safety_margin_at(curve: StrengthDuration, output_v: float, width_ms: float) -> float:
    """Output over the threshold that the curve gives for the programmed pulse width (own definition).

    Parameters
    ----------
    curve
        Fitted strength-duration curve.
    output_v
        Programmed amplitude, V.
    width_ms
        Programmed pulse width, ms.

    Returns
    -------
    float
        Ratio, without unit.

    Raises
    ------
    ElectrocardiogramError
        Where a value is NaN or not above zero.
    """
    _positive(width=width_ms)
    return safety_margin(output_v, curve.threshold_v(width_ms))


def phrenic_ratio(phrenic_threshold_v: float, capture_threshold_v: float) -> float:
    """Phrenic over capture threshold, at one pulse width (common practice, no source).

    Parameters
    ----------
    phrenic_threshold_v, capture_threshold_v
        Thresholds, V.

    Returns
    -------
    float
        Ratio, without unit.

    Raises
    ------
    ElectrocardiogramError
        Where a value is NaN or not above zero.
    """
    _positive(phrenic=phrenic_threshold_v, threshold=capture_threshold_v)
    return phrenic_threshold_v / capture_threshold_v


def _fieller(top: float, bottom: float, covariance: FloatArray, t: float) -> tuple[float, float] | None:
    """95 % interval of top/bottom, with ``covariance`` in the order (bottom, top); None where it is unbounded."""
    a = bottom**2 - t**2 * covariance[0, 0]
    b = top * bottom - t**2 * covariance[0, 1]
    c = top**2 - t**2 * covariance[1, 1]
    inside = b**2 - a * c
    if a <= 0 or inside < 0:
        return None
    root = math.sqrt(inside)
    return (b - root) / a, (b + root) / a


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise ElectrocardiogramError(f"The {name} must be above zero, not {value:g}.")
