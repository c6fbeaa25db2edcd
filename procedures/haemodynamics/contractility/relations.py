"""Relations over the beats of a load-reduction run (caval occlusion): Ees, V0, PRSW, dP/dtmax-EDV, EDPVR.

- ESPVR: ESP = Ees·(ESV − V0) (Suga and Sagawa, Circ Res 1974;35:117, from memory); curved: a second-order
  polynomial whose slope at V0 is Ees (Burkhoff et al., Am J Physiol 1987;252:H1218, from memory)
- PRSW: SW = Mw·(EDV − Vw) (Glower et al., Circulation 1985;71:994, from memory)
- dP/dtmax against EDV (Little, Circ Res 1985;56:808, from memory)
- EDPVR: EDP = a·exp(b·EDV)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from ..signals import FloatArray

FEWEST_BEATS = 5
SMALLEST_FALL = 0.10


class LoadReductionError(ValueError):
    """A run that does not support the relation asked for; the message says why."""


@dataclass(frozen=True)
class Relation:
    """A fitted line y = slope·(x − intercept) with 95 % intervals; ``intercept`` lies on the x axis."""

    slope: float
    slope_low: float
    slope_high: float
    intercept: float
    intercept_low: float
    intercept_high: float
    correlation: float
    beats: int


@dataclass(frozen=True)
class CurvedRelation:
    """ESP = curvature·(ESV − V0)² + Ees·(ESV − V0): slope at the axis, where it cuts it, and how it bends."""

    ees_mmhg_per_ml: float
    v0_ml: float
    curvature: float
    beats: int


@dataclass(frozen=True)
class ExponentialRelation:
    """EDP = scale·exp(stiffness·EDV), mmHg and 1/mL, with a 95 % interval of the stiffness."""

    scale_mmhg: float
    stiffness_per_ml: float
    stiffness_low: float
    stiffness_high: float
    beats: int


def falling_limb(edv_ml: FloatArray) -> slice:
    """Beats over which EDV falls: from the last beat within 2 % of the level before, to the smallest EDV.

    Parameters
    ----------
    edv_ml
        End-diastolic volumes in order of time, mL, shape (n,).

    Returns
    -------
    slice
        The beats of the fall.

    Raises
    ------
    LoadReductionError
        If a volume is NaN, fewer than five beats remain or EDV falls by less than a tenth.

    Notes
    -----
    Where the fall begins and how far it must go is our own definition.
    """
    edv = np.asarray(edv_ml, dtype=float)
    if edv.size < FEWEST_BEATS or not np.isfinite(edv).all():
        raise LoadReductionError(f"A run needs {FEWEST_BEATS} beats or more with a volume each.")
    lowest = int(edv.argmin())
    level = float(edv[: lowest + 1].max())
    near = np.flatnonzero(edv[: lowest + 1] >= 0.98 * level)
    limb = slice(int(near[-1]) if near.size else 0, lowest + 1)
    _require(edv[limb], edv[limb])
    return limb


def _require(x: FloatArray, edv: FloatArray) -> None:
    if x.size < FEWEST_BEATS:
        raise LoadReductionError(f"The run has {x.size} usable beats; {FEWEST_BEATS} are needed.")
    fall = float(np.ptp(edv) / edv.max())
    if fall < SMALLEST_FALL:
        raise LoadReductionError(f"EDV falls by only {100 * fall:.1f} %; {100 * SMALLEST_FALL:g} % is needed.")


def fit_line(x: FloatArray, y: FloatArray) -> Relation:
    """Least squares of y on x with t intervals; that of the x intercept by Fieller's theorem.

    Parameters
    ----------
    x, y
        Values of the same beats, shape (n,), any units.

    Returns
    -------
    Relation
        Slope in units of y over x, intercept on the x axis in units of x, each with its 95 % interval.

    Raises
    ------
    LoadReductionError
        If there are fewer than three points, one is NaN, or the slope is not clearly above zero, so that the intercept
        has no bounds.

    References
    ----------
    Fieller 1954, as general summaries of the theorem give it (J R Stat Soc B 16:175, page from memory).
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if x.size < 3:
        raise LoadReductionError("A line with an interval needs three points or more.")
    fit = stats.linregress(x, y)
    slope, error = float(fit.slope), float(fit.stderr)
    critical = float(stats.t.ppf(0.975, x.size - 2))
    low, high = slope - critical * error, slope + critical * error
    if not low > 0:
        raise LoadReductionError(f"The slope is not clearly above zero ({low:.3g} to {high:.3g}).")
    # Fieller: the set of x0 where the line, at x0, is not told from zero
    mean_x, mean_y = float(x.mean()), float(y.mean())
    residual = float(np.sum((y - mean_y - slope * (x - mean_x)) ** 2)) / (x.size - 2)
    spread = float(np.sum((x - mean_x) ** 2))
    g = (critical * error / slope) ** 2
    middle = -mean_y / slope / (1 - g)
    half = critical / slope / (1 - g) * np.sqrt(residual * ((1 - g) / x.size + mean_y**2 / slope**2 / spread))
    return Relation(
        slope,
        low,
        high,
        mean_x - mean_y / slope,
        float(mean_x + middle - half),
        float(mean_x + middle + half),
        float(fit.rvalue),
        int(x.size),
    )


def espvr(esv_ml: FloatArray, esp_mmhg: FloatArray, edv_ml: FloatArray) -> Relation:
    """Linear end-systolic pressure-volume relation, ESP = Ees·(ESV − V0).

    Parameters
    ----------
    esv_ml, esp_mmhg, edv_ml
        End-systolic volumes, mL, and pressures, mmHg, and end-diastolic volumes, mL; shape (n,).
        No NaN: :func:`falling_limb` refuses it.

    Returns
    -------
    Relation
        Slope Ees, mmHg/mL; intercept V0, mL.

    Raises
    ------
    LoadReductionError
        If the run is too short, falls too little, or the slope is not clearly above zero.

    References
    ----------
    Suga and Sagawa, Circ Res 1974;35:117 (from memory).
    """
    _require(np.asarray(esv_ml), np.asarray(edv_ml))
    return fit_line(esv_ml, esp_mmhg)


def espvr_curved(esv_ml: FloatArray, esp_mmhg: FloatArray, edv_ml: FloatArray) -> CurvedRelation:
    """Second-order end-systolic relation; V0 is its root next below the data.

    Parameters
    ----------
    esv_ml, esp_mmhg, edv_ml
        End-systolic volumes, mL, and pressures, mmHg, and end-diastolic volumes, mL; shape (n,).
        No NaN: :func:`falling_limb` refuses it.

    Returns
    -------
    CurvedRelation
        Ees, the slope at V0, mmHg/mL; V0, mL; curvature, mmHg/mL².

    Raises
    ------
    LoadReductionError
        If the run is too short, falls too little, or the parabola does not reach zero pressure below the data.

    References
    ----------
    Burkhoff et al., Am J Physiol 1987;252:H1218 (from memory).
    """
    esv = np.asarray(esv_ml, dtype=float)
    _require(esv, np.asarray(edv_ml))
    middle = float(esv.mean())
    a, b, c = np.polyfit(esv - middle, esp_mmhg, 2)
    discriminant = b**2 - 4 * a * c
    if discriminant < 0 or abs(a) < 1e-12:
        raise LoadReductionError("The curved relation does not reach zero pressure.")
    roots = (-b + np.array([1.0, -1.0]) * np.sqrt(discriminant)) / (2 * a)
    below = roots[(roots + middle < esv.min()) & (2 * a * roots + b > 0)]
    if below.size == 0:
        raise LoadReductionError("The curved relation does not reach zero pressure below the data.")
    root = float(below.max())
    return CurvedRelation(float(2 * a * root + b), root + middle, float(a), int(esv.size))


def preload_recruitable_stroke_work(edv_ml: FloatArray, stroke_work_mmhg_ml: FloatArray) -> Relation:
    """Preload-recruitable stroke work, SW = Mw·(EDV − Vw).

    Parameters
    ----------
    edv_ml, stroke_work_mmhg_ml
        End-diastolic volumes, mL, and stroke work, mmHg·mL; shape (n,).
        No NaN: :func:`falling_limb` refuses it.

    Returns
    -------
    Relation
        Slope Mw, mmHg; intercept Vw, mL.

    Raises
    ------
    LoadReductionError
        If the run is too short, falls too little, or the slope is not clearly above zero.

    References
    ----------
    Glower et al., Circulation 1985;71:994 (from memory).
    """
    _require(np.asarray(edv_ml), np.asarray(edv_ml))
    return fit_line(edv_ml, stroke_work_mmhg_ml)


def dpdt_max_edv(edv_ml: FloatArray, dpdt_max_mmhg_per_s: FloatArray) -> Relation:
    """Line of dP/dtmax on EDV.

    Parameters
    ----------
    edv_ml, dpdt_max_mmhg_per_s
        End-diastolic volumes, mL, and dP/dtmax, mmHg/s; shape (n,).
        No NaN: :func:`falling_limb` refuses it.

    Returns
    -------
    Relation
        Slope, mmHg/s/mL; intercept, mL.

    Raises
    ------
    LoadReductionError
        If the run is too short, falls too little, or the slope is not clearly above zero.

    References
    ----------
    Little, Circ Res 1985;56:808 (from memory).
    """
    _require(np.asarray(edv_ml), np.asarray(edv_ml))
    return fit_line(edv_ml, dpdt_max_mmhg_per_s)


def edpvr(edv_ml: FloatArray, edp_mmhg: FloatArray) -> ExponentialRelation:
    """Exponential end-diastolic relation, EDP = a·exp(b·EDV), by least squares on pressure.

    Parameters
    ----------
    edv_ml, edp_mmhg
        End-diastolic volumes, mL, and pressures, mmHg; shape (n,).
        No NaN: :func:`falling_limb` refuses it.

    Returns
    -------
    ExponentialRelation
        a, mmHg, and b, 1/mL, with the 95 % interval of b.

    Raises
    ------
    LoadReductionError
        If the run is too short, pressures are not above zero or the fit does not settle.

    References
    ----------
    Exponential form: common practice, no source.
    """
    edv, edp = np.asarray(edv_ml, dtype=float), np.asarray(edp_mmhg, dtype=float)
    _require(edv, edv)
    if (edp <= 0).any():
        raise LoadReductionError("The exponential relation needs end-diastolic pressures above zero.")
    middle = float(edv.mean())
    start = stats.linregress(edv - middle, np.log(edp))
    try:
        best, covariance = optimize.curve_fit(
            lambda v, scale, stiffness: scale * np.exp(stiffness * (v - middle)),
            edv,
            edp,
            p0=(float(np.exp(start.intercept)), float(start.slope)),
        )
    except RuntimeError as error:
        raise LoadReductionError("The exponential relation could not be fitted.") from error
    half = float(stats.t.ppf(0.975, edv.size - 2) * np.sqrt(covariance[1, 1]))
    stiffness = float(best[1])
    scale = float(best[0] * np.exp(-stiffness * middle))
    return ExponentialRelation(scale, stiffness, stiffness - half, stiffness + half, int(edv.size))


def coupling_ratio(ea_mmhg_per_ml: float, ees_mmhg_per_ml: float) -> float:
    """Ventriculo-arterial coupling, Ea/Ees.

    Parameters
    ----------
    ea_mmhg_per_ml
        Effective arterial elastance, mmHg/mL; NaN gives NaN.
    ees_mmhg_per_ml
        End-systolic elastance, mmHg/mL.

    Returns
    -------
    float
        Without unit.

    Raises
    ------
    LoadReductionError
        If Ees is NaN or not above zero.

    References
    ----------
    Sunagawa et al., Am J Physiol 1983;245:H773 (from memory).
    """
    if not ees_mmhg_per_ml > 0:
        raise LoadReductionError("Ees must be above zero.")
    return ea_mmhg_per_ml / ees_mmhg_per_ml


def potential_energy_mmhg_ml(esp_mmhg: FloatArray, esv_ml: FloatArray, v0_ml: float) -> FloatArray:
    """Potential energy at end-systole, ESP·(ESV − V0)/2; the diastolic relation is taken as zero.

    Parameters
    ----------
    esp_mmhg, esv_ml
        End-systolic pressures, mmHg, and volumes, mL, of one shape.
    v0_ml
        Volume intercept of the end-systolic relation, mL.

    Returns
    -------
    ndarray
        Energies in mmHg·mL, same shape; NaN where a value is NaN.

    References
    ----------
    Suga, Physiol Rev 1990;70:247 (from memory).
    """
    return np.asarray(np.asarray(esp_mmhg, dtype=float) * (np.asarray(esv_ml, dtype=float) - v0_ml) / 2)


def pressure_volume_area_mmhg_ml(stroke_work_mmhg_ml: FloatArray, potential_energy: FloatArray) -> FloatArray:
    """Pressure-volume area, SW + PE; SW over it is the mechanical efficiency.

    Parameters
    ----------
    stroke_work_mmhg_ml, potential_energy
        Stroke work and potential energy, mmHg·mL, of one shape.

    Returns
    -------
    ndarray
        Areas in mmHg·mL, same shape; NaN where a value is NaN.

    References
    ----------
    Suga, Physiol Rev 1990;70:247 (from memory).
    """
    return np.asarray(stroke_work_mmhg_ml) + np.asarray(potential_energy)
