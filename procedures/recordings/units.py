"""Units of measured channels: which are as expected, which only look different, and which must be asked about."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Quantity(Enum):
    """What a channel measures; the value is the unit it is expected in."""

    PRESSURE = "mmHg"
    VOLUME = "mL"
    CONDUCTANCE = "mS"
    POTENTIAL = "mV"
    ANY = ""


@dataclass(frozen=True)
class UnitVerdict:
    """Outcome of comparing a unit with the expected one.

    ``factor`` turns the values into the expected unit; None where the values cannot be used as they are.
    ``remark`` says what is different in words that follow the channel's name; empty where nothing is.
    """

    factor: float | None
    remark: str = ""


# The expected unit itself, with the spellings of UCUM and of common writers.
_AS_EXPECTED = {
    Quantity.PRESSURE: {"mmHg", "mm[Hg]", "mmhg", "MMHG", "mm Hg"},
    Quantity.VOLUME: {"mL", "ml"},
    Quantity.CONDUCTANCE: {"mS"},
    Quantity.POTENTIAL: {"mV"},
}
# Other names of the same size: 1 cm3 = 1 mL (SI); 1 torr = 1 mmHg to 2 parts in ten million.
_SAME_SIZE = {
    Quantity.PRESSURE: {"torr", "Torr"},
    Quantity.VOLUME: {"cm3", "cm^3", "cm³", "cc", "ccm", "cm**3"},
    Quantity.CONDUCTANCE: {"mmho"},
    Quantity.POTENTIAL: set[str](),
}
# Known units of another size, with the size of one of them in the expected unit where it is defined.
_OTHER_SIZE: dict[Quantity, dict[str, float]] = {
    Quantity.PRESSURE: {
        "kPa": 7.50062,
        "Pa": 0.00750062,
        "hPa": 0.750062,
        "mbar": 0.750062,
        "bar": 750.062,
        "cmH2O": 0.735559,
        "psi": 51.7149,
    },
    Quantity.VOLUME: {"L": 1000.0, "l": 1000.0, "dL": 100.0, "cL": 10.0, "uL": 0.001, "mm3": 0.001, "m3": 1e6},
    Quantity.CONDUCTANCE: {"S": 1000.0, "uS": 0.001},
    Quantity.POTENTIAL: {"V": 1000.0, "uV": 0.001, "nV": 1e-6},
}


def _quantity_of(unit: str) -> Quantity | None:
    """What a unit measures, or None where it is not known here."""
    text = _clean(unit)
    for quantity, expected in _AS_EXPECTED.items():
        if text in expected or text in _SAME_SIZE[quantity] or text in _OTHER_SIZE[quantity]:
            return quantity
    return None


def judge_unit(unit: str, expected: Quantity) -> UnitVerdict:
    """Compare a channel's unit with the expected one.

    Microvolts of an electrocardiogram are the one unit that is turned into the expected one, and said so:
    recorders store them by standard (DICOM PS3.16), and no result depends on their size.

    Parameters
    ----------
    unit
        Unit as the file writes it.
    expected
        The quantity that is asked for.

    Returns
    -------
    UnitVerdict
        The factor into the expected unit, None where the unit is refused, and a remark.
    """
    text = _clean(unit)
    if expected is Quantity.ANY or text in _AS_EXPECTED[expected]:
        return UnitVerdict(1.0)
    if not text:
        return UnitVerdict(None, f"has no unit; {expected.value} is expected")
    if text in _SAME_SIZE[expected]:
        return UnitVerdict(1.0, f"is in {unit}, read as {expected.value}: they are the same size")
    if expected is Quantity.POTENTIAL and text == "uV":
        return UnitVerdict(0.001, f"is in {unit} and was divided by 1000 to give mV")
    size = _OTHER_SIZE[expected].get(text)
    hint = f" (1 {unit} = {size:g} {expected.value})" if size else ""
    return UnitVerdict(None, f"is in {unit}; {expected.value} is expected{hint}")


def _clean(unit: str) -> str:
    return unit.strip().replace("µ", "u").replace("μ", "u").replace("₂", "2")
