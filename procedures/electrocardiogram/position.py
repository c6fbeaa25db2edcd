"""What a paced QRS says of the wall that is paced, against the wall that was logged: pointed out, never corrected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from .ecg import ElectrocardiogramError
from .waves import LeadQrs

Wall = Literal["anterior", "anterolateral", "lateral", "posterolateral", "posterior", "inferior"]
_LATERAL = ("anterolateral", "lateral", "posterolateral")
_BY_V1 = "Ploux et al., Pacing Clin Electrophysiol 2009;32 Suppl 1:S2, PMID 19250094 (first author from memory)"
_PRACTICE = "common practice, no source"
CAVEAT = (
    "Surface ECG patterns locate a lead only roughly: with both ventricles paced, four walls were "
    "distinguished in 80 % "
    "(PMID 19250094), "
    "and against computed tomography the association was weak (97 patients)."
)


@dataclass(frozen=True)
class PositionFinding:
    """One expectation for the logged wall.

    Attributes
    ----------
    expected, found
        In words; ``found`` holds the patterns it was judged by.
    agrees
        None where a lead is missing or flat.
    source
        Where the expectation comes from.
    """

    expected: str
    found: str
    agrees: bool | None
    source: str


def position_findings(wall: str, leads: Mapping[str, LeadQrs]) -> tuple[PositionFinding, ...]:
    """Expectations of left ventricular pacing at a wall, each with what the electrocardiogram shows.

    Parameters
    ----------
    wall
        The logged wall: anterior, anterolateral, lateral, posterolateral, posterior or inferior.
    leads
        The paced QRS of each lead.

    Returns
    -------
    tuple of PositionFinding
        One for each expectation; None in it where a lead is missing.

    Raises
    ------
    ElectrocardiogramError
        Where the wall is not one of these.
    """
    if wall not in get_args(Wall):
        raise ElectrocardiogramError(f"'{wall}' is not a wall; walls are {', '.join(get_args(Wall))}.")
    v1, v2, v6, lead_i = (leads.get(name) for name in ("V1", "V2", "V6", "I"))
    found = []
    if wall in _LATERAL:
        begins = None if lead_i is None else lead_i.initial_negative
        found.append(_finding("an initial negative deflection in I", {"I": lead_i}, begins, _PRACTICE))
    if wall in ("anterior",):
        expected = "a QS in V1, or a positive V6 where V1 is positive"
        found.append(_finding(expected, {"V1": v1, "V6": v6}, _anterior(v1, v6), _BY_V1))
    if wall in ("lateral", "posterolateral", "posterior"):
        found.append(_finding("a mainly positive V1", {"V1": v1}, _positive(v1), _BY_V1))
    if wall == "lateral":
        negative = None if (second := _positive(v2)) is None else not second
        found.append(_finding("a mainly negative V2", {"V2": v2}, negative, _BY_V1))
    if wall == "posterior":
        found.append(_finding("a mainly positive V2", {"V2": v2}, _positive(v2), _BY_V1))
    if wall == "inferior":
        negative = None if (sixth := _positive(v6)) is None else not sixth
        found.append(_finding("a V6 that is not positive", {"V6": v6}, negative, _BY_V1))
    return tuple(found)


def _anterior(v1: LeadQrs | None, v6: LeadQrs | None) -> bool | None:
    """A QS in V1 is specific to an anterior lead, its absence says nothing; beside a positive V1, V6 decides."""
    if v1 is not None and v1.pattern == "QS":
        return True
    return _positive(v6) if _positive(v1) else None


def _positive(lead: LeadQrs | None) -> bool | None:
    word = None if lead is None else lead.polarity
    return None if word is None else word == "positive"


def _finding(expected: str, leads: Mapping[str, LeadQrs | None], agrees: bool | None, source: str) -> PositionFinding:
    words = [
        f"{name} missing" if lead is None else f"{lead.pattern or 'no clear wave'} in {name}"
        for name, lead in leads.items()
    ]
    return PositionFinding(expected, ", ".join(words), agrees, source)
