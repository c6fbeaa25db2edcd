"""Kidney function from serum creatinine."""

from __future__ import annotations

from math import isnan
from typing import Literal

UMOL_PER_L_IN_MG_PER_DL = 88.4  # 113.12 g/mol
_KAPPA = {"female": 0.7, "male": 0.9}
_ALPHA = {"female": -0.241, "male": -0.302}
# KDIGO stages by lower limit, mL/min/1.73 m². KDIGO 2012, table 5 (from memory).
_STAGES = ((90.0, "G1"), (60.0, "G2"), (45.0, "G3a"), (30.0, "G3b"), (15.0, "G4"))


def ckd_epi_2021(creatinine_umol_per_l: float, age_years: int, sex: Literal["female", "male"]) -> float:
    """Return the estimated glomerular filtration rate, mL/min/1.73 m², by the race-free CKD-EPI equation of 2021.

    Parameters
    ----------
    creatinine_umol_per_l
        Serum creatinine in µmol/L; it is converted to mg/dL with 88.4.
    age_years
        Completed years, 18 or more.
    sex
        The equation knows two.

    Returns
    -------
    float
        mL/min/1.73 m²; NaN where creatinine is NaN.

    Raises
    ------
    ValueError
        When creatinine is not positive or the age is below 18: the equation was not made for either.

    Notes
    -----
    142 · min(Scr/κ, 1)^α · max(Scr/κ, 1)^-1.200 · 0.9938^age · 1.012 [female]: Inker et al., N Engl J Med
    2021;385:1737.
    """
    if creatinine_umol_per_l <= 0:
        raise ValueError("Creatinine must be above 0.")
    if age_years < 18:
        raise ValueError("The equation is for adults.")
    share = creatinine_umol_per_l / UMOL_PER_L_IN_MG_PER_DL / _KAPPA[sex]
    rate = 142 * min(share, 1) ** _ALPHA[sex] * max(share, 1) ** -1.200 * 0.9938**age_years
    return rate * 1.012 if sex == "female" else rate


def kidney_stage(egfr: float) -> str:
    """Return the KDIGO stage of a filtration rate.

    Parameters
    ----------
    egfr
        Estimated glomerular filtration rate, mL/min/1.73 m².

    Returns
    -------
    str
        ``G1`` to ``G5``.

    Raises
    ------
    ValueError
        For NaN, which has no stage.

    References
    ----------
    KDIGO 2012, table 5 (from memory).
    """
    if isnan(egfr):
        raise ValueError("NaN has no stage.")
    return next((stage for low, stage in _STAGES if egfr >= low), "G5")
