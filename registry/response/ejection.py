"""Response by the rise of the left-ventricular ejection fraction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from registry.response.judgement import NOT_ASSESSABLE, Judgement, _signed
from registry.response.volumes import WINDOW_DAYS, _nearest_to_target

RISE_POINTS, SUPER_POINTS = 5.0, 20.0
_RULE = (
    "LVEF rises by more than 5 points from the last value before the implant to the one nearest to 6 months (3 "
    "to 12 months) after it, without death or heart failure admission before then. Super-response: by 20 points or "
    "more."
)
_SOURCE = (
    "Acute correction of electromechanical dyssynchrony, ESC Heart Fail 2020 (PMC7261585); super-response: Rickard "
    "et al., Characterization of super-response to cardiac resynchronization therapy, Heart Rhythm 2010"
)
_DEFINITION = "LVEF"


@dataclass(frozen=True)
class EjectionState:
    """One measured LVEF: its day and value."""

    measured_on: dt.date
    lvef_percent: float


def _judged(verdict: str, word: str, reason: str) -> Judgement:
    return Judgement(_DEFINITION, verdict, word, reason, _RULE, _SOURCE)


def ejection_response(
    implanted_on: dt.date,
    before: Iterable[EjectionState],
    after: Iterable[EjectionState],
    *,
    setbacks: Iterable[tuple[dt.date, str]] = (),
) -> Judgement:
    """Judge the response by LVEF.

    Parameters
    ----------
    implanted_on
        Day of the implant.
    before, after
        Measured values; chosen as for the volumes.
    setbacks
        Days and words of a death or of admissions for heart failure.

    Returns
    -------
    Judgement
        The verdict with its reason, or that it cannot be judged and why.
    """
    references = [state for state in before if state.measured_on <= implanted_on]
    if not references:
        return _judged(NOT_ASSESSABLE, "Not assessable", "No LVEF before the implant.")
    reference = max(references, key=lambda state: state.measured_on)
    last_day = implanted_on + dt.timedelta(days=WINDOW_DAYS[1])
    measured = _nearest_to_target(implanted_on, after)
    until = measured.measured_on if measured else last_day
    for day, words in sorted(setbacks):
        if implanted_on <= day <= until:
            return _judged("non_responder", "Non-responder", f"{words} before LVEF could be assessed.")
    if measured is None:
        return _judged(NOT_ASSESSABLE, "Not assessable", "No LVEF between 3 and 12 months after the implant.")
    rise = round(measured.lvef_percent - reference.lvef_percent, 9)
    told = _signed(rise, 0, [RISE_POINTS, SUPER_POINTS])
    numbers = f"LVEF {reference.lvef_percent:g} to {measured.lvef_percent:g} % ({told} points)."
    if rise >= SUPER_POINTS:
        return _judged("super_responder", "Super-responder", numbers)
    if rise > RISE_POINTS:
        return _judged("responder", "Responder", numbers)
    return _judged("non_responder", "Non-responder", numbers)
