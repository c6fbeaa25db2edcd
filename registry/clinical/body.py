"""Body size."""

from __future__ import annotations

from math import sqrt


def surface_du_bois(weight_kg: float, height_cm: float) -> float:
    """Return the body surface area, m²: 0.007184 · W^0.425 · H^0.725 (Du Bois, Arch Intern Med 1916;17:863)."""
    return float(0.007184 * weight_kg**0.425 * height_cm**0.725)


def surface_mosteller(weight_kg: float, height_cm: float) -> float:
    """Return the body surface area, m²: √(W · H / 3600) (Mosteller, N Engl J Med 1987;317:1098)."""
    return sqrt(weight_kg * height_cm / 3600)


def mass_index(weight_kg: float, height_cm: float) -> float:
    """Return the body-mass index, kg/m²."""
    return weight_kg / (height_cm / 100) ** 2
