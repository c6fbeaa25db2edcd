"""The indicators of the audit: one definition each, used by the overview and by the drill-down alike. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from procedures.models import Outcome, ProcedureKind
from registry.models import EventKind
from registry.response import Response

COMPLICATION_DAYS = 30
NOT_OVER = f"{COMPLICATION_DAYS} days have not passed yet"


@dataclass(frozen=True)
class SessionFacts:
    """What the audit knows of one session.

    ``complications`` holds the kinds of adverse event, related or possibly related, on days 0 to 30; ``unjudged`` the
    number of events in that time whose relation is not known. ``response`` is None without an implanted LV lead, and
    ``matched`` is None when there was no decision or nothing to compare it with.
    """

    key: UUID
    code: str
    started_on: date
    procedure: str
    outcome: str
    sites_tested: int
    fluoroscopy_min: float | None
    dose_area_product_gy_cm2: float | None
    days_over: bool
    complications: frozenset[str]
    unjudged: int
    died_early: bool
    response: Response | None
    no_response_because: str
    decided: bool
    matched: bool | None

    @property
    def procedure_label(self) -> str:
        """The kind of procedure in words."""
        return ProcedureKind(self.procedure).label


@dataclass(frozen=True)
class Indicator:
    """A proportion of sessions. ``judge`` says whether a session counts, or why it is left out of both numbers."""

    key: str
    label: str
    definition: str
    judge: Callable[[SessionFacts], bool | str]
    part_of: str = ""


@dataclass(frozen=True)
class Measure:
    """A quantity of a session that is told as median and quartiles; ``read`` gives None where it is missing."""

    key: str
    label: str
    unit: str
    definition: str
    read: Callable[[SessionFacts], float | None]
    decimals: int = 0


def _implanted(facts: SessionFacts) -> bool | str:
    return (
        "outcome not recorded yet" if facts.outcome == Outcome.UNKNOWN else facts.outcome == Outcome.LV_LEAD_IMPLANTED
    )


def _any_complication(facts: SessionFacts) -> bool | str:
    return bool(facts.complications) if facts.days_over else NOT_OVER


def _complication(kind: str) -> Callable[[SessionFacts], bool | str]:
    return lambda facts: kind in facts.complications if facts.days_over else NOT_OVER


def _death(facts: SessionFacts) -> bool | str:
    return facts.died_early if facts.days_over else NOT_OVER


def _responder(facts: SessionFacts) -> bool | str:
    if facts.response is None:
        return "no LV lead implanted"
    return facts.no_response_because or facts.response.verdict == "responder"


def _matched(facts: SessionFacts) -> bool | str:
    if not facts.decided:
        return "no decision recorded"
    return "nothing to compare the decision with" if facts.matched is None else facts.matched


_COMPLICATION = (
    "Sessions with an adverse event recorded as related or possibly related on days 0 to "
    f"{COMPLICATION_DAYS}, of the sessions whose {COMPLICATION_DAYS} days have passed. An event counts for the "
    "patient's latest session up to its date."
)

INDICATORS: tuple[Indicator, ...] = (
    Indicator(
        "implant-success",
        "LV lead implanted",
        "Sessions that ended with an LV lead in place, of all sessions with a recorded outcome.",
        _implanted,
    ),
    Indicator("complication", f"Complication within {COMPLICATION_DAYS} days", _COMPLICATION, _any_complication),
    *(
        Indicator(
            f"complication-{kind.value.replace('_', '-')}",
            kind.label,
            _COMPLICATION,
            _complication(kind.value),
            "complication",
        )
        for kind in EventKind
        if kind is not EventKind.DEATH
    ),
    Indicator(
        "death",
        f"Death within {COMPLICATION_DAYS} days, any cause",
        f"Sessions after which the patient died on days 0 to {COMPLICATION_DAYS}, of the sessions whose "
        f"{COMPLICATION_DAYS} days have passed.",
        _death,
    ),
    Indicator(
        "response",
        "Response by LVESV",
        "Sessions followed by a fall in LVESV of 15 % or more at 3 to 12 months, of the sessions with an LV "
        "lead implanted and both volumes measured.",
        _responder,
    ),
    Indicator(
        "decision-matched",
        "Site chosen led the comparison",
        "Sessions whose last decision chose the site that led the comparison at that time, of the sessions "
        "with a decision and a comparison. This has no target: there are good reasons to choose another site.",
        _matched,
    ),
)

# Reference levels are for the centre's median only, never for a single case: Morris et al., Acta Cardiol 2014;69:491.
MEASURES: tuple[Measure, ...] = (
    Measure(
        "sites_tested",
        "Sites tested per session",
        "",
        "Sites recorded as reached; sessions with none count as 0.",
        lambda facts: facts.sites_tested,
        decimals=1,
    ),
    Measure(
        "fluoroscopy",
        "Fluoroscopy time",
        "min",
        "Third quartile of three centres, 1319 implants: 24.2 min (Morris et al., Acta Cardiol 2014;69:491).",
        lambda facts: facts.fluoroscopy_min,
        decimals=1,
    ),
    Measure(
        "dose",
        "Dose-area product",
        "Gy·cm²",
        "Third quartile of three centres, 1319 implants: 27.7 Gy·cm² (Morris et al., Acta Cardiol 2014;69:491).",
        lambda facts: facts.dose_area_product_gy_cm2,
        decimals=1,
    ),
)

BY_KEY: dict[str, Indicator] = {indicator.key: indicator for indicator in INDICATORS}
