"""The usual ranges of what is typed about a lead, and the acceptance limits the comparison shows. Pure data."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A typed quantity: its words, its unit and the range that needs no confirmation."""

    label: str
    unit: str
    usual_low: float
    usual_high: float


# Usual ranges ask once and never refuse. Impedance: technical range of the trade; the rest: what an implanter would
# read twice. From memory.
LEAD_QUANTITIES: dict[str, Quantity] = {
    "capture_threshold_v": Quantity("Capture threshold", "V", 0.1, 7.5),
    "pulse_width_ms": Quantity("Pulse width", "ms", 0.1, 1.5),
    "sensed_r_wave_mv": Quantity("Sensed R wave", "mV", 1.0, 30.0),
    "impedance_ohm": Quantity("Impedance", "Ohm", 200.0, 2000.0),
    "phrenic_threshold_v": Quantity("Phrenic-stimulation threshold", "V", 0.3, 10.0),
    "phrenic_none_up_to_v": Quantity("No phrenic stimulation up to", "V", 2.0, 10.0),
    "qrs_duration_ms": Quantity("QRS duration", "ms", 80.0, 260.0),
}

# What a device was programmed to.
OUTPUT_QUANTITIES: dict[str, Quantity] = {
    "output_v": Quantity("Programmed output", "V", 0.5, 7.5),
    "output_width_ms": Quantity("Programmed pulse width", "ms", 0.1, 1.5),
}
# Technical range of a left ventricular lead (from memory).
IMPEDANCE_LIMITS_OHM = (200.0, 2000.0)


@dataclass(frozen=True)
class PublishedLimit:
    """A published limit in words, with where it was read."""

    text: str
    source: str


# "Acceptable LV vector": threshold <= 2.5 V and phrenic : capture >= 2 : 1. The abstract prints "5 ms", which no pacing
# pulse is; that 0.5 ms is meant is our reading. The authors' names are from memory.
MAX_CAPTURE_THRESHOLD_V = 2.5
MIN_PHRENIC_TO_CAPTURE_RATIO = 2.0
LIMIT_PULSE_WIDTH_MS = 0.5
ACCEPTANCE = PublishedLimit(
    f"threshold at most {MAX_CAPTURE_THRESHOLD_V:g} V at {LIMIT_PULSE_WIDTH_MS:g} ms, and phrenic stimulation at "
    f"{MIN_PHRENIC_TO_CAPTURE_RATIO:g} times the capture threshold or more",
    "Klein et al., Europace 2012;14:826, pacing vectors and phrenic stimulation in 132 patients, abstract",
)
OTHER_WIDTHS = (
    f"At another pulse width than {LIMIT_PULSE_WIDTH_MS:g} ms only a threshold above {MAX_CAPTURE_THRESHOLD_V:g} V at "
    "a wider pulse is judged: thresholds fall as the pulse widens (Geddes, IEEE Trans Biomed Eng 2004;51:176)."
)
# Output over threshold; or three times the pulse width.
MIN_SAFETY_MARGIN = 2.0
MARGIN = PublishedLimit(f"a margin of {MIN_SAFETY_MARGIN:g} in amplitude is usual", "Europace 2011, PMID 21242156")
IMPEDANCE = PublishedLimit(
    f"impedance from {IMPEDANCE_LIMITS_OHM[0]:g} to {IMPEDANCE_LIMITS_OHM[1]:g} Ohm", "technical range, from memory"
)
# An electrical activation counts as late from here on, ms. QLV: the cohort's median (Gold et al., Eur Heart J
# 2011;32:2516, from memory); right to left ventricle: the median of 581 patients with
# quadripolar leads, who fared better from there on (Heart Rhythm, 22 November 2022, abstract read).
LATE_FROM_MS = {"qlv": 95.0, "rv_lv": 80.0}
LATE_WORDS = (
    f"Called late: QLV of {LATE_FROM_MS['qlv']:g} ms or more (the median of Gold et al., Eur Heart J 2011;32:2516; "
    f"figure from memory), RV to LV of {LATE_FROM_MS['rv_lv']:g} ms or more (the median of 581 patients, "
    "Heart Rhythm, 22 November 2022, abstract)."
)


def outside(values: dict[str, float | None]) -> dict[str, list[str]]:
    """Return a message for each typed value outside its usual range."""
    messages = {}
    for name, value in values.items():
        quantity = (LEAD_QUANTITIES | OUTPUT_QUANTITIES).get(name)
        if quantity is None or value is None or quantity.usual_low <= value <= quantity.usual_high:
            continue
        messages[name] = [
            f"{quantity.label} {value:g} {quantity.unit} is unusual: {quantity.usual_low:g} to "
            f"{quantity.usual_high:g} {quantity.unit} is usual. Confirm it if it is correct."
        ]
    return messages


def threshold_ok(threshold_v: float | None, pulse_width_ms: float | None) -> bool | None:
    """Judge a capture threshold by the limit; None where it cannot be.

    A threshold falls as the pulse widens (Lapicque; Geddes, IEEE Trans Biomed Eng 2004;51:176), so one above the limit
    at a wider pulse is above it at 0.5 ms as well. Nothing else is concluded from another width.
    """
    if threshold_v is None or pulse_width_ms is None:
        return None
    if threshold_v > MAX_CAPTURE_THRESHOLD_V and pulse_width_ms >= LIMIT_PULSE_WIDTH_MS:
        return False
    return True if pulse_width_ms == LIMIT_PULSE_WIDTH_MS and threshold_v <= MAX_CAPTURE_THRESHOLD_V else None


def phrenic_ok(ratio: float | None, at_least: bool) -> bool | None:
    """Judge phrenic over capture threshold; None where the test did not go far enough to tell."""
    if ratio is None:
        return None
    enough = ratio >= MIN_PHRENIC_TO_CAPTURE_RATIO
    return enough if enough or not at_least else None


# Two judgements of a beat closer than this are about the same beat: no heart beats ten times a second.
SAME_BEAT_S = 0.1
