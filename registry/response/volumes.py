"""Response by the fall of the left-ventricular end-systolic volume."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar

from registry.days import in_words
from registry.response.judgement import Judgement, _signed

# Fall of LVESV >= 15 %, usually at 6 months, 3 to 12 accepted
# (secondary end point of Wouters et al.; Zanon et al., Heart Rhythm 2016;13:1644 for the indexed volume).
LVESV_FALL_PERCENT = 15.0
WINDOW_DAYS = (91, 365)
_TARGET_DAYS = 182
RULE = (
    "LVESV falls by 15 % or more from the last value before the implant to the one nearest to 6 months, within 3 to 12 "
    "months after it."
)
SOURCE = (
    "Zanon et al., Heart Rhythm 2016;13:1644, for the indexed volume; secondary end point of Wouters and colleagues"
)
_WORDS = {"responder": "Responder", "non_responder": "Non-responder", "not_assessable": "Not assessable"}


class Dated(Protocol):
    """Something measured on a day."""

    @property
    def measured_on(self) -> dt.date: ...


D = TypeVar("D", bound=Dated)


def _nearest_to_target(implanted_on: dt.date, states: Iterable[D]) -> D | None:
    """Return the state nearest to 6 months after the implant, within 3 to 12 months; None when there is none."""
    low, high = WINDOW_DAYS
    inside = [state for state in states if low <= (state.measured_on - implanted_on).days <= high]
    return min(inside, key=lambda one: abs((one.measured_on - implanted_on).days - _TARGET_DAYS)) if inside else None


@dataclass(frozen=True)
class VolumeState:
    """One measured LVESV: its day and value."""

    measured_on: dt.date
    lvesv_ml: float


@dataclass(frozen=True)
class Response:
    """Whether the ventricle became smaller, with the numbers behind it, or why that cannot be said."""

    verdict: str  # "responder", "non_responder", "not_assessable"
    change_percent: float | None
    reason: str

    @property
    def judgement(self) -> Judgement:
        """The response as it is shown beside the other definitions."""
        return Judgement("LVESV", self.verdict, _WORDS[self.verdict], self.reason, RULE, SOURCE)


def lvesv_response(implanted_on: dt.date, before: Iterable[VolumeState], after: Iterable[VolumeState]) -> Response:
    """Judge the response by LVESV.

    Parameters
    ----------
    implanted_on
        Day of the implant.
    before, after
        Measured volumes; the last one up to the implant is the reference, the one nearest to 6 months after it and
        within 3 to 12 months is judged.

    Returns
    -------
    Response
        ``not_assessable`` with the reason when either volume is missing.
    """
    references = [state for state in before if state.measured_on <= implanted_on]
    if not references:
        return Response("not_assessable", None, "No LVESV before the implant.")
    judged = _nearest_to_target(implanted_on, after)
    if judged is None:
        return Response("not_assessable", None, "No LVESV between 3 and 12 months after the implant.")
    reference = max(references, key=lambda state: state.measured_on)
    change = 100 * (judged.lvesv_ml - reference.lvesv_ml) / reference.lvesv_ml
    change = round(change, 9)
    responder = change <= -LVESV_FALL_PERCENT
    told = f"{_signed(change, 1, [-LVESV_FALL_PERCENT])} %"
    on = in_words(reference.measured_on)
    return Response(
        "responder" if responder else "non_responder",
        change,
        f"LVESV {reference.lvesv_ml:g} to {judged.lvesv_ml:g} mL ({told}; the first value is of {on}). "
        "Responder: a fall of 15 % or more.",
    )
