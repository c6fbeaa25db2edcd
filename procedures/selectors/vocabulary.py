"""The words, ranges and shapes that the bedside page offers; the same for every session and person."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from procedures.limits import LEAD_QUANTITIES
from procedures.models import (
    EntryKind,
    LeadMeasurement,
    LongAxis,
    Obstacle,
    Outcome,
    Part,
    Session,
    Stability,
    Vein,
)
from procedures.polar.segments import SEGMENTS
from registry.described.constraints import hard_range
from registry.models import EventKind

# Radius of the polar diagram in its own units.
POLAR_RADIUS = 200.0
# What the trade calls the veins for short, for the proposed name of a site (common practice, no source).
VEIN_SHORT = {
    Vein.MIDDLE_CARDIAC: "MCV",
    Vein.POSTERIOR: "PV",
    Vein.POSTEROLATERAL: "PL",
    Vein.LATERAL: "LAT",
    Vein.ANTEROLATERAL: "AL",
    Vein.ANTERIOR_INTERVENTRICULAR: "AIV",
    Vein.GREAT_CARDIAC: "GCV",
    Vein.CORONARY_SINUS: "CS",
    Vein.OTHER: "Vein",
}
# Values offered as one tap each: what is commonly found, coarse where a second tap refines (common practice,
# no source).
OFFERED: dict[str, dict[str, Any]] = {
    "capture_threshold_v": {"values": [0.25, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2, 2.5, 3, 3.5, 4, 5, 6, 7.5], "step": 0.1},
    "pulse_width_ms": {"values": [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.2, 1.5], "step": 0.1},
    "sensed_r_wave_mv": {"values": [*range(2, 21), 25], "step": 0.5},
    "impedance_ohm": {"values": [*range(200, 1600, 100)], "within": 100, "step": 10},
    "phrenic_threshold_v": {"values": [1, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5, 10], "step": 0.5},
    "phrenic_none_up_to_v": {"values": [5, 6, 7.5, 8, 10], "step": 0.5},
    "qrs_duration_ms": {"values": [*range(90, 240, 10)], "within": 10, "step": 1},
    "contrast_ml": {"values": [5, 10, 15, 20, 25, 30, 40, 50, 60, 80], "step": 5},
    "fluoroscopy_min": {"values": [], "step": 0.1},
    "dose_area_product_gy_cm2": {"values": [], "step": 1},
}
# Amplitudes of a step-down run, V (common practice, no source).
STEP_DOWN_V = [10, 8, 7.5, 6, 5, 4.5, 4, 3.5, 3, 2.5, 2, 1.75, 1.5, 1.25, 1, 0.75, 0.5, 0.25]
_TOTALS = {
    "contrast_ml": ("Contrast", "mL"),
    "fluoroscopy_min": ("Fluoroscopy time", "min"),
    "dose_area_product_gy_cm2": ("Dose-area product", "Gy·cm²"),
}


def _words(choices: Iterable[tuple[str, Any]]) -> list[dict[str, str]]:
    return [{"value": value, "label": str(label)} for value, label in choices]


def _quantities() -> dict[str, dict[str, Any]]:
    told = {
        name: {
            "label": quantity.label,
            "unit": quantity.unit,
            "usual": [quantity.usual_low, quantity.usual_high],
            "hard": list(hard_range(LeadMeasurement, name)),
            **OFFERED[name],
        }
        for name, quantity in LEAD_QUANTITIES.items()
    }
    for name, (label, unit) in _TOTALS.items():
        hard = list(hard_range(Session, name))
        told[name] = {"label": label, "unit": unit, "usual": hard, "hard": hard, **OFFERED[name]}
    return told


def bedside_vocabulary() -> dict[str, Any]:
    """Return everything as plain values for JSON."""
    return {
        "entry_kinds": _words(EntryKind.choices),
        "event_kinds": _words(EventKind.choices),
        "veins": [one | {"short": VEIN_SHORT[Vein(one["value"])]} for one in _words(Vein.choices)],
        "obstacles": _words(Obstacle.choices),
        "long_axis": _words(LongAxis.choices),
        "stability": _words(Stability.choices),
        "outcomes": _words(choice for choice in Outcome.choices if choice[0] != Outcome.UNKNOWN),
        "parts": _words(Part.choices),
        "segments": [
            {
                "number": one.number,
                "name": one.name,
                "ring": {"apex": "apical"}.get(one.ring, one.ring),
                "path": re.sub(r"(\.\d)\d", r"\1", one.path(POLAR_RADIUS)),
                "at": [round(part * POLAR_RADIUS, 1) for part in one.point()],
            }
            for one in SEGMENTS.values()
        ],
        "quantities": _quantities(),
        "step_down_v": STEP_DOWN_V,
    }
