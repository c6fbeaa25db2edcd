"""A patient's course: the assessments side by side, and what changed from before the implant to the latest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.utils import timezone

from registry.models import Assessment, AssessmentKind, Patient
from registry.response import Response
from registry.selectors.patients import response_by_lvesv


@dataclass(frozen=True)
class Quantity:
    """One measured quantity of an assessment; ``in_percent`` when its change is told in percent of before."""

    field: str
    label: str
    unit: str
    decimals: int = 0
    in_percent: bool = False


QUANTITIES = (
    Quantity("nyha_class", "NYHA class", ""),
    Quantity("qrs_duration_ms", "QRS duration", "ms"),
    Quantity("lvef_percent", "LVEF", "%"),
    Quantity("lvedv_ml", "LVEDV", "mL", in_percent=True),
    Quantity("lvesv_ml", "LVESV", "mL", in_percent=True),
    Quantity("nt_probnp_pg_per_ml", "NT-proBNP", "pg/mL", in_percent=True),
    Quantity("creatinine_umol_per_l", "Creatinine", "µmol/L"),
    Quantity("systolic_mmhg", "Systolic pressure", "mmHg"),
    Quantity("diastolic_mmhg", "Diastolic pressure", "mmHg"),
    Quantity("six_minute_walk_m", "Six-minute walk", "m"),
)


@dataclass(frozen=True)
class Row:
    """An assessment and its values in the order of the quantities; None where nothing was measured."""

    assessment: Assessment
    cells: list[str | None]


@dataclass(frozen=True)
class Implant:
    """A session in which the LV lead was implanted, and the response to it."""

    session_code: str
    implanted_on: date
    response: Response


def rows(assessments: Sequence[Assessment]) -> list[Row]:
    """Return one row for each assessment, oldest first."""
    return [Row(record, [_text(record, quantity) for quantity in QUANTITIES]) for record in assessments]


def _text(record: Assessment, quantity: Quantity) -> str | None:
    value = getattr(record, quantity.field)
    return None if value is None else f"{value:.{quantity.decimals}f}"


def changes(assessments: Sequence[Assessment]) -> list[str | None]:
    """Return by quantity the change from the last value before the implant to the latest at follow-up."""
    return [_change(assessments, quantity) for quantity in QUANTITIES]


def _change(assessments: Sequence[Assessment], quantity: Quantity) -> str | None:
    values: dict[str, list[float]] = {AssessmentKind.BEFORE: [], AssessmentKind.FOLLOW_UP: []}
    for record in assessments:
        value = getattr(record, quantity.field)
        if value is not None:
            values[record.kind].append(value)
    if not values[AssessmentKind.BEFORE] or not values[AssessmentKind.FOLLOW_UP]:
        return None
    first, last = values[AssessmentKind.BEFORE][-1], values[AssessmentKind.FOLLOW_UP][-1]
    if quantity.in_percent:
        return f"{100 * (last - first) / first:+.0f} %"
    unit = "points" if quantity.unit == "%" else quantity.unit
    return f"{last - first:+.{quantity.decimals}f} {unit}".rstrip()


def implants(patient: Patient, assessments: Sequence[Assessment]) -> list[Implant]:
    """Return the sessions that ended with an LV lead in place, each with its response by LVESV."""
    found = []
    for session in patient.sessions.filter(outcome="lv_lead_implanted").order_by("started_at"):
        day = timezone.localdate(session.started_at)
        found.append(Implant(session.code, day, response_by_lvesv(day, assessments)))
    return found
