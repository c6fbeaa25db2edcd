"""The electrical axis in the frontal plane."""

from __future__ import annotations

import math


def frontal_axis(lead_i: float, lead_avf: float) -> float | None:
    """Mean QRS axis in the frontal plane.

    In Einthoven's triangle I sees the horizontal part whole and aVF the vertical part times √3/2, so that
    axis = atan2(2·aVF/√3, I). Our own definition from that geometry; checked against constructed vectors.

    Parameters
    ----------
    lead_i, lead_avf
        Net areas (or net amplitudes) of the QRS in I and aVF, in one unit.

    Returns
    -------
    float or None
        Degrees in (−180, 180]; None where both are zero, NaN where either is NaN.
    """
    if lead_i == 0 and lead_avf == 0:
        return None
    degrees = math.degrees(math.atan2(2.0 / math.sqrt(3.0) * lead_avf, lead_i))
    return 180.0 if degrees == -180.0 else degrees


def axis_change(before: float, after: float) -> float:
    """Smallest turn from one axis to another (own definition).

    Parameters
    ----------
    before, after
        Axes, degrees.

    Returns
    -------
    float
        Degrees in (−180, 180]; positive is clockwise (rightward). NaN where either is NaN.
    """
    turn = (after - before) % 360.0
    return turn - 360.0 if turn > 180.0 else turn


def axis_word(degrees: float) -> str:
    """Normal, left, right or extreme axis: −30 to 90, −90 to −30, 90 to 180, else.

    Parameters
    ----------
    degrees
        Axis, degrees in (−180, 180].

    Returns
    -------
    str
        ``normal``, ``left``, ``right`` or ``extreme``.

    Raises
    ------
    ValueError
        For NaN, which is no axis.

    References
    ----------
    AHA/ACCF/HRS 2009 (from memory).
    """
    if math.isnan(degrees):
        raise ValueError("NaN is no axis.")
    if -30 <= degrees <= 90:
        return "normal"
    if -90 <= degrees < -30:
        return "left"
    return "right" if 90 < degrees <= 180 else "extreme"
