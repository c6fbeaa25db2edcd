"""Body size."""

from __future__ import annotations

from math import sqrt


def surface_mosteller(weight_kg: float, height_cm: float) -> float:
    """Return the body surface area, √(W · H / 3600).

    Parameters
    ----------
    weight_kg, height_cm
        Weight, kg, and height, cm, neither below zero; NaN gives NaN.

    Returns
    -------
    float
        m².

    References
    ----------
    Mosteller, N Engl J Med 1987;317:1098.
    """
    return sqrt(weight_kg * height_cm / 3600)
