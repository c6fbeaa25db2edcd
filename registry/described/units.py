"""Units that a column may be in, and the factor to the unit a field is stored in."""

from __future__ import annotations

import re

from registry.clinical.units import (
    CREATININE_UNITS,
    PEPTIDE_UNITS,
    PEPTIDES,
    creatinine_umol_per_l,
    peptide_pg_per_ml,
)

# Stored unit -> other unit -> factor. Exact by definition unless a source stands beside it.
OTHER_UNITS: dict[str, dict[str, float]] = {
    "ms": {"s": 1000.0},
    "s": {"ms": 0.001},
    "mL": {"L": 1000.0},
    "%": {"fraction (0 to 1)": 100.0},
    "pg/mL": {"ng/L": 1.0},
    "mmHg": {"kPa": 7.500617},  # 1 mmHg = 133.322 Pa, ISO 80000-4
    "m": {"ft": 0.3048},
    "min": {"s": 1 / 60},
    "Gy·cm²": {"cGy·cm²": 0.01, "mGy·cm²": 0.001, "dGy·cm²": 0.1, "µGy·m²": 0.01},
    "kg": {"lb": 0.45359237},
    "cm": {"m": 100.0, "in": 2.54},
    "Ohm": {"kOhm": 1000.0},
    "V": {"mV": 0.001},
    "mV": {"V": 1000.0},
}
# Units that depend on the substance: those of the form, by the same conversion.
OF_FIELD: dict[str, dict[str, float]] = {
    "creatinine_umol_per_l": {
        unit: creatinine_umol_per_l(1.0, unit) for unit, _ in CREATININE_UNITS if unit != "umol/L"
    },
    **{
        f"{assay}_pg_per_ml": {
            unit: peptide_pg_per_ml(1.0, unit, assay) for unit, _ in PEPTIDE_UNITS if unit != "pg/mL"
        }
        for assay, _ in PEPTIDES
    },
}
_SUFFIXES = {
    "_pg_per_ml": "pg/mL",
    "_umol_per_l": "µmol/L",
    "_gy_cm2": "Gy·cm²",
    "_percent": "%",
    "_mmhg": "mmHg",
    "_ohm": "Ohm",
    "_min": "min",
    "_kg": "kg",
    "_cm": "cm",
    "_ms": "ms",
    "_ml": "mL",
    "_mv": "mV",
    "_s": "s",
    "_m": "m",
    "_v": "V",
}
_SPELLINGS = {"µ": "u", "μ": "u", "²": "2", "·": "", "*": "", ".": "", " ": "", "ω": "ohm", "ohms": "ohm"}
_BRACKETS = re.compile(r"[\[(]([^\])]{1,20})[\])]\s*$")


def stored_unit(field: str) -> str:
    """Return the unit that a field's name states; empty when it states none."""
    return next((unit for suffix, unit in _SUFFIXES.items() if field.endswith(suffix)), "")


def units_of(field: str, unit: str) -> dict[str, float]:
    """Return the units a column for this field may be in, with their factors; the stored one first."""
    if not unit:
        return {}
    return {unit: 1.0} | OTHER_UNITS.get(unit, {}) | OF_FIELD.get(field, {})


def named_in(header: str, units: dict[str, float]) -> str:
    """Return the unit that a column's name states in brackets at its end; empty when it states none we know."""
    found = _BRACKETS.search(header)
    if not found:
        return ""
    stated = _plain(found.group(1))
    return next((unit for unit in units if _plain(unit) == stated or _plain(unit.split(" (")[0]) == stated), "")


def without_unit(header: str) -> str:
    """Return a column's name without what stands in brackets at its end."""
    return _BRACKETS.sub("", header).strip()


def _plain(unit: str) -> str:
    text = unit.casefold()
    for sign, instead in _SPELLINGS.items():
        text = text.replace(sign, instead)
    return text
