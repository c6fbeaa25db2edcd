"""The measured quantities of an assessment and of a device check: words, unit, hard and usual range, digits. Pure data.

Outside the hard range a value is refused (the database's constraints are made from it); outside the usual range it is
taken once somebody confirms it. Hard ranges: wide enough for any living person, tight enough to catch a wrong unit;
usual ranges: what a clinician would read twice. Project choice, from memory; none of them is a limit for care.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One quantity; ``in_percent`` when its change is told in percent of before."""

    field: str
    label: str
    unit: str
    hard: tuple[float, float]
    usual: tuple[float, float]
    decimals: int = 0
    in_percent: bool = False


ASSESSMENT: tuple[Quantity, ...] = (
    Quantity("nyha_class", "NYHA class", "", (1, 4), (1, 4)),
    Quantity("qrs_duration_ms", "QRS duration", "ms", (40, 320), (70, 240)),
    Quantity("lvef_percent", "LVEF", "%", (3, 90), (10, 70)),
    Quantity("lvedv_ml", "LVEDV", "mL", (20, 800), (60, 450), in_percent=True),
    Quantity("lvesv_ml", "LVESV", "mL", (5, 750), (20, 380), in_percent=True),
    Quantity("nt_probnp_pg_per_ml", "NT-proBNP", "pg/mL", (1, 200000), (20, 35000), in_percent=True),
    Quantity("bnp_pg_per_ml", "BNP", "pg/mL", (1, 50000), (5, 5000), in_percent=True),
    Quantity("creatinine_umol_per_l", "Creatinine", "µmol/L", (10, 2500), (35, 500)),
    Quantity("systolic_mmhg", "Systolic pressure", "mmHg", (40, 300), (80, 200)),
    Quantity("diastolic_mmhg", "Diastolic pressure", "mmHg", (20, 200), (40, 120)),
    Quantity("six_minute_walk_m", "Six-minute walk", "m", (0, 1500), (20, 750)),
    Quantity("quality_of_life_score", "Quality of life", "", (0, 105), (0, 105)),
    Quantity("height_cm", "Height", "cm", (90, 250), (140, 205)),
    Quantity("weight_kg", "Weight", "kg", (20, 350), (40, 180), 1),
    Quantity("ventricular_pacing_percent", "Ventricular pacing", "%", (0, 100), (0, 100)),
    Quantity("scar_burden_percent", "Scar, percentage of the left ventricle", "%", (0, 100), (0, 60)),
)
CHECK: tuple[Quantity, ...] = (
    Quantity("biventricular_pacing_percent", "Biventricular pacing", "%", (0, 100), (0, 100), 1),
    Quantity("ra_threshold_v", "Threshold, right atrium", "V", (0.05, 15), (0.2, 5), 2),
    Quantity("rv_threshold_v", "Threshold, right ventricle", "V", (0.05, 15), (0.2, 5), 2),
    Quantity("lv_threshold_v", "Threshold, left ventricle", "V", (0.05, 15), (0.2, 6), 2),
    Quantity("ra_impedance_ohm", "Impedance, right atrium", "Ohm", (50, 5000), (200, 2000)),
    Quantity("rv_impedance_ohm", "Impedance, right ventricle", "Ohm", (50, 5000), (200, 2000)),
    Quantity("lv_impedance_ohm", "Impedance, left ventricle", "Ohm", (50, 5000), (200, 2000)),
    Quantity("ra_sensing_mv", "Sensed P wave", "mV", (0.05, 30), (0.5, 10), 1),
    Quantity("rv_sensing_mv", "Sensed R wave", "mV", (0.1, 50), (2, 30), 1),
    Quantity("battery_months", "Battery remaining", "months", (0, 240), (0, 180)),
    Quantity("atrial_arrhythmia_percent", "Time in atrial arrhythmia", "%", (0, 100), (0, 100), 1),
)
BY_FIELD: dict[str, Quantity] = {quantity.field: quantity for quantity in (*ASSESSMENT, *CHECK)}


def unusual(values: Mapping[str, object]) -> dict[str, list[str]]:
    """Return a message for each number inside its hard but outside its usual range.

    Parameters
    ----------
    values
        By field name; what is no number is passed over.

    Returns
    -------
    dict
        Messages by field name; empty where nothing is unusual.
    """
    found = {}
    for name, value in values.items():
        quantity = BY_FIELD.get(name)
        if quantity is None or not isinstance(value, int | float):
            continue
        (low, high), (least, most) = quantity.usual, quantity.hard
        if least <= value <= most and not low <= value <= high:
            told = f"{quantity.label} {value:g} {quantity.unit}".rstrip()
            span = f"{low:g} to {high:g} {quantity.unit}".rstrip()
            found[name] = [f"{told} is unusual: {span} is usual. Confirm it if it is correct."]
    return found
