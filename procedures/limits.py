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
class AcceptanceLimit:
    """A published limit for accepting a lead position, with where it was read."""

    text: str
    source: str


# "Acceptable LV vector": threshold <= 2.5 V and phrenic : capture >= 2 : 1.
MAX_CAPTURE_THRESHOLD_V = 2.5
MIN_PHRENIC_TO_CAPTURE_RATIO = 2.0
# The printed rule is for 0.5 ms; the threshold falls as the pulse widens, so other widths are not judged by it.
LIMIT_PULSE_WIDTH_MS = 0.5
ACCEPTANCE = AcceptanceLimit(
    "threshold at most 2.5 V at 0.5 ms, and phrenic stimulation at twice the capture threshold or more",
    "a study of pacing vectors and phrenic stimulation in 132 patients (abstract)",
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
            f"{quantity.usual_high:g} {quantity.unit} is common. Confirm it if it is right."
        ]
    return messages


def electrical_concerns(
    *,
    threshold_v: float | None,
    pulse_width_ms: float | None,
    phrenic_v: float | None,
    phrenic_none_up_to_v: float | None,
) -> list[str]:
    """Return what stands against a site electrically, in words; an empty list when nothing measured does."""
    found = []
    if threshold_v is not None and pulse_width_ms == LIMIT_PULSE_WIDTH_MS and threshold_v > MAX_CAPTURE_THRESHOLD_V:
        found.append(f"threshold {threshold_v:g} V above {MAX_CAPTURE_THRESHOLD_V:g} V at {pulse_width_ms:g} ms")
    if threshold_v and phrenic_v is not None and phrenic_v < MIN_PHRENIC_TO_CAPTURE_RATIO * threshold_v:
        found.append(f"phrenic stimulation at {phrenic_v / threshold_v:.1f} times the capture threshold")
    if (
        threshold_v
        and phrenic_none_up_to_v is not None
        and phrenic_none_up_to_v < MIN_PHRENIC_TO_CAPTURE_RATIO * threshold_v
    ):
        found.append(f"phrenic stimulation tested only to {phrenic_none_up_to_v:g} V, below twice the threshold")
    return found


# Two judgements of a beat closer than this are about the same beat: no heart beats ten times a second.
SAME_BEAT_S = 0.1
