"""The criteria that guideline rows are built from. Each says true, false or not known, and the number behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from registry.clinical.guidelines.findings import Findings, Known
from registry.clinical.nyha import ROMAN

_WORDS = {
    "lbbb": "left bundle branch block",
    "rbbb": "right bundle branch block",
    "ivcd": "non-specific conduction delay",
    "rv_paced": "right-ventricular paced",
    "biv_paced": "biventricular paced",
    "narrow": "narrow",
    "sinus": "sinus rhythm",
    "atrial_fibrillation": "atrial fibrillation",
    "other": "other",
    "female": "female",
    "male": "male",
    "none": "none",
    "pacemaker": "pacemaker",
    "icd": "defibrillator",
    "crt": "CRT device",
    True: "yes",
    False: "no",
}


@dataclass(frozen=True)
class Criterion:
    """One condition of a row: its words, the finding it looks at, and the test of a known value."""

    text: str
    finding: str
    holds: Callable[[Any], bool]
    unit: str = ""

    def known(self, findings: Findings) -> Known:
        """Return the finding this criterion looks at."""
        known: Known = getattr(findings, self.finding)
        return known

    def verdict(self, findings: Findings) -> bool | None:
        """Say whether it holds; None when the finding is not known."""
        value = self.known(findings).value
        return None if value is None else self.holds(value)

    def behind(self, findings: Findings) -> str:
        """Return the value behind the verdict, in words."""
        value = self.known(findings).value
        if value is None:
            return "not recorded"
        if self.finding == "nyha":
            return ROMAN[value]
        if isinstance(value, bool | str):
            return _WORDS.get(value, str(value))
        return f"{value:g} {self.unit}".rstrip()


def lvef(above: float | None, high: float, *, below: bool = False) -> Criterion:
    """LVEF at most ``high`` (or below it), and above ``above``.

    Parameters
    ----------
    above, high
        Limits in percent, never NaN; ``above`` may be ``None``.
    below
        Whether LVEF must lie below ``high``.

    Returns
    -------
    Criterion
        With its words; the limits are those of the guideline whose row it stands in.
    """
    text = f"LVEF {'<' if below else '≤'} {high:g} %" + ("" if above is None else f" and > {above:g} %")

    def holds(value: float) -> bool:
        return (value < high if below else value <= high) and (above is None or value > above)

    return Criterion(text, "lvef_percent", holds, "%")


def qrs(low: float | None, high: float | None = None) -> Criterion:
    """QRS duration at least ``low`` and below ``high``.

    Parameters
    ----------
    low, high
        Limits in ms, never NaN; either may be ``None``.

    Returns
    -------
    Criterion
        With its words; the limits are those of the guideline whose row it stands in.
    """
    if low is None:
        text = f"QRS < {high:g} ms"
    else:
        text = f"QRS ≥ {low:g} ms" if high is None else f"QRS {low:g} to {high - 1:g} ms"
    return Criterion(text, "qrs_ms", lambda value: value >= (low or 0) and (high is None or value < high), "ms")


def nyha(*classes: int) -> Criterion:
    """NYHA class is one of those.

    Parameters
    ----------
    *classes
        1 to 4.

    Returns
    -------
    Criterion
        With its words.
    """
    return Criterion(f"NYHA class {', '.join(ROMAN[one] for one in classes)}", "nyha", lambda value: value in classes)


def _yes(text: str, finding: str) -> Criterion:
    """A finding that is answered with yes."""
    return Criterion(text, finding, lambda value: value is True)


SINUS = Criterion("sinus rhythm", "rhythm", lambda value: value == "sinus")
FIBRILLATION = Criterion("atrial fibrillation", "rhythm", lambda value: value == "atrial_fibrillation")
LBBB = Criterion("left bundle branch block", "morphology", lambda value: value == "lbbb")
# "Non-LBBB" of the guidelines means an own wide complex of another pattern, not a paced one.
NON_LBBB = Criterion("other than left bundle branch block", "morphology", lambda value: value in {"rbbb", "ivcd"})
OWN_RHYTHM = Criterion(
    "intrinsic conduction, not paced", "morphology", lambda value: value not in {"rv_paced", "biv_paced"}
)
FEMALE = Criterion("woman", "sex", lambda value: value == "female")
NOT_FEMALE = Criterion("man", "sex", lambda value: value == "male")
THERAPY = _yes("optimal medical therapy", "therapy_optimised")
AV_BLOCK = _yes("high-degree AV block", "av_block")
PACING_NEED = _yes("an indication for ventricular pacing", "pacing_need")
NO_PACING_NEED = Criterion("no indication for ventricular pacing", "pacing_need", lambda value: value is False)
CAPTURE = _yes("a strategy to ensure biventricular capture", "capture_assured")
NO_EARLIER_DEVICE = Criterion("no previous device", "previous_device", lambda value: value == "none")
EARLIER_DEVICE = Criterion(
    "previous pacemaker or defibrillator", "previous_device", lambda value: value in {"pacemaker", "icd"}
)


def pacing(low: float) -> Criterion:
    """Share of ventricular pacing at least ``low``.

    Parameters
    ----------
    low
        Limit in percent, never NaN.

    Returns
    -------
    Criterion
        With its words; the limit is that of the guideline whose row it stands in.
    """
    return Criterion(f"ventricular pacing ≥ {low:g} %", "pacing_percent", lambda value: value >= low, "%")
