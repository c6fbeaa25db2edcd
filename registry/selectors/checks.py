"""Reading device checks, each with what stands out in it."""

from __future__ import annotations

from dataclasses import dataclass

from registry.clinical.device_check import lead_remarks, pacing_remark
from registry.clinical.quantities import CHECK
from registry.models import DeviceCheck, Patient

_LEADS = ("threshold_v", "impedance_ohm")


@dataclass(frozen=True)
class Told:
    """A check in words: the numbers that were read, and the remarks."""

    check: DeviceCheck
    numbers: list[str]
    remarks: list[str]


def checks(patient: Patient) -> list[Told]:
    """Return the checks, latest first; each is compared with the one before it."""
    found: list[Told] = []
    before: dict[str, float | None] = {}
    for check in patient.device_checks.all():
        now = {name: getattr(check, name) for name in ("pulse_width_ms", *_names())}
        remarks = [remark for remark in (pacing_remark(check.biventricular_pacing_percent),) if remark]
        if check.shocks:
            remarks.append(f"{check.shocks} shock{'s' if check.shocks > 1 else ''} since the previous check.")
        if check.ventricular_episodes:
            remarks.append(f"Ventricular episodes since the previous check: {check.ventricular_episodes}.")
        found.append(Told(check, _numbers(check), [*remarks, *lead_remarks(before, now)]))
        # A value not read this time stays the one to compare with.
        before |= {name: value for name, value in now.items() if value is not None}
    return found[::-1]


def _names() -> list[str]:
    return [f"{lead}_{what}" for lead in ("ra", "rv", "lv") for what in _LEADS]


def _numbers(check: DeviceCheck) -> list[str]:
    told = []
    for quantity in CHECK:
        value = getattr(check, quantity.field)
        if value is not None:
            width = f" at {check.pulse_width_ms:g} ms" if quantity.unit == "V" and check.pulse_width_ms else ""
            told.append(f"{quantity.label.lower()} {value:g} {quantity.unit}{width}")
    return told
