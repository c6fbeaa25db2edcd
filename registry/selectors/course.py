"""A patient's course: the assessments side by side, what changed, and the response to each implant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from django.utils import timezone

from registry.clinical import quantities
from registry.clinical.body import surface_mosteller
from registry.clinical.kidney import ckd_epi_2021, kidney_stage
from registry.clinical.nyha import ROMAN
from registry.models import (
    MEDICINES,
    AdverseEvent,
    Assessment,
    AssessmentKind,
    EventKind,
    GlobalAssessment,
    LifeInstrument,
    Patient,
    Sex,
)
from registry.response import (
    CompositeFacts,
    EjectionState,
    Judgement,
    clinical_composite,
    ejection_response,
)
from registry.response.composite import CompositeState
from registry.selectors.patients import age_on, response_by_lvesv


@dataclass(frozen=True)
class Line:
    """One quantity over all assessments, in words; None where nothing was recorded."""

    label: str
    unit: str
    cells: list[str | None]
    change: str | None = None
    # What a missing cell is called.
    missing: str = "not recorded"

    @property
    def empty(self) -> bool:
        """Whether nobody ever recorded it."""
        return all(cell is None for cell in self.cells)


@dataclass(frozen=True)
class Implant:
    """A session in which the LV lead was implanted, and the response to it by each definition."""

    session_code: str
    implanted_on: date
    judgements: list[Judgement]


_ADVERSE = {
    EventKind.HEART_FAILURE_ADMISSION: "Admission for heart failure",
    EventKind.THERAPY_STOPPED: "Resynchronisation stopped",
}
_UNSAID = {"unknown", "not_asked"}


def lines(patient: Patient, assessments: Sequence[Assessment]) -> list[Line]:
    """Return the assessments as lines of a table: words first, then numbers with their change."""
    said = [
        _words("Rhythm", assessments, "rhythm"),
        _words("QRS morphology", assessments, "qrs_morphology"),
        *(_numbers(quantity, assessments) for quantity in quantities.ASSESSMENT),
        _derived("LVESV index", "mL/m²", assessments, _volume_index),
        _derived("eGFR, CKD-EPI 2021", "mL/min/1.73 m²", assessments, lambda one: _filtration(patient, one)),
        _words("Method of LVEF and volumes", assessments, "imaging_method"),
        _words("Quality-of-life questionnaire", assessments, "quality_of_life_instrument"),
        _words("Global assessment", assessments, "global_assessment"),
        _words("Device before", assessments, "previous_device"),
        _words("Scar imaging", assessments, "scar_method"),
        _answers("Scar in the posterolateral wall", assessments, "posterolateral_scar"),
        _answers("High-degree AV block", assessments, "av_block"),
        _answers("Other indication for ventricular pacing", assessments, "pacing_need"),
        _answers("Capture ensured in atrial fibrillation", assessments, "capture_assured"),
        _answers("Optimal medical therapy", assessments, "therapy_optimised"),
        _derived("Medicines", "", assessments, _medicines),
    ]
    return said


def _words(label: str, assessments: Sequence[Assessment], field: str) -> Line:
    cells = [
        None if getattr(one, field) in _UNSAID else str(getattr(one, f"get_{field}_display")()) for one in assessments
    ]
    return Line(label, "", cells)


def _answers(label: str, assessments: Sequence[Assessment], field: str) -> Line:
    words = {True: "yes", False: "no", None: None}
    return Line(label, "", [words[getattr(one, field)] for one in assessments])


def _derived(
    label: str, unit: str, assessments: Sequence[Assessment], make: Callable[[Assessment], str | None]
) -> Line:
    return Line(label, unit, [make(one) for one in assessments])


def _medicines(one: Assessment) -> str | None:
    answers = {str(Assessment._meta.get_field(name).verbose_name): getattr(one, name) for name in MEDICINES}  # type: ignore[union-attr] # columns
    if all(answer is None for answer in answers.values()):
        return None
    taken = [words for words, answer in answers.items() if answer]
    asked = sum(answer is not None for answer in answers.values())
    told = ", ".join(taken) if taken else "none"
    return told if asked == len(answers) else f"{told} ({len(answers) - asked} of {len(answers)} not recorded)"


def _volume_index(one: Assessment) -> str | None:
    if one.lvesv_ml is None or one.height_cm is None or one.weight_kg is None:
        return None
    return f"{one.lvesv_ml / surface_mosteller(one.weight_kg, one.height_cm):.0f}"


def _filtration(patient: Patient, one: Assessment) -> str | None:
    if one.creatinine_umol_per_l is None:
        return None
    if patient.sex == Sex.UNKNOWN:
        return "needs the sex"
    age = age_on(patient.identity.birth_date, one.assessed_on)
    if age < 18:
        return "for adults only"
    rate = ckd_epi_2021(one.creatinine_umol_per_l, age, "female" if patient.sex == Sex.FEMALE else "male")
    return f"{rate:.0f} ({kidney_stage(rate)})"


def _numbers(quantity: quantities.Quantity, assessments: Sequence[Assessment]) -> Line:
    cells: list[str | None] = []
    for one in assessments:
        value = getattr(one, quantity.field)
        if value is None:
            cells.append(None)
        else:
            cells.append(ROMAN[value] if quantity.field == "nyha_class" else f"{value:.{quantity.decimals}f}")
    return Line(quantity.label, quantity.unit, cells, _change(quantity, assessments), "not measured")


def _change(quantity: quantities.Quantity, assessments: Sequence[Assessment]) -> str | None:
    """Return the change from the last value before the implant to the latest at follow-up."""
    values: dict[str, list[tuple[float, str]]] = {AssessmentKind.BEFORE: [], AssessmentKind.FOLLOW_UP: []}
    for one in assessments:
        value = getattr(one, quantity.field)
        if value is not None:
            values[one.kind].append((value, one.quality_of_life_instrument))
    if not values[AssessmentKind.BEFORE] or not values[AssessmentKind.FOLLOW_UP]:
        return None
    (first, asked_first), (last, asked_last) = values[AssessmentKind.BEFORE][-1], values[AssessmentKind.FOLLOW_UP][-1]
    if quantity.field == "quality_of_life_score":
        if asked_first != asked_last:
            return None
        better = "lower" if asked_last == LifeInstrument.MLHFQ else "higher"
        return f"{last - first:+.0f} ({better} is better)"
    if quantity.in_percent:
        return f"{100 * (last - first) / first:+.0f} %"
    unit = "points" if quantity.unit == "%" else quantity.unit
    return f"{last - first:+.{quantity.decimals}f} {unit}".rstrip()


def implants(
    patient: Patient, assessments: Sequence[Assessment], events: Sequence[AdverseEvent], today: date
) -> list[Implant]:
    """Return the sessions that ended with an LV lead in place, each with the response by every definition."""
    found = []
    for session in patient.sessions.filter(outcome="lv_lead_implanted").order_by("started_at"):
        day = timezone.localdate(session.started_at)
        found.append(Implant(session.code, day, judgements(day, patient, assessments, events, today)))
    return found


def judgements(
    implanted_on: date, patient: Patient, assessments: Sequence[Assessment], events: Sequence[AdverseEvent], today: date
) -> list[Judgement]:
    """Judge the response to an implant by LVESV, LVEF and clinical composite."""
    setbacks = [(one.occurred_on, _ADVERSE[EventKind(one.kind)]) for one in events if one.kind in _ADVERSE]
    if patient.died_on:
        setbacks.append((patient.died_on, "Death"))
    before = [one for one in assessments if one.kind == AssessmentKind.BEFORE and one.assessed_on <= implanted_on]
    after = [one for one in assessments if one.kind == AssessmentKind.FOLLOW_UP]
    ejection = [
        [EjectionState(one.assessed_on, one.lvef_percent) for one in group if one.lvef_percent is not None]
        for group in (before, after)
    ]
    classes = [one.nyha_class for one in before if one.nyha_class is not None]
    states = [
        CompositeState(
            one.assessed_on,
            one.nyha_class,
            None if one.global_assessment == GlobalAssessment.UNKNOWN else one.global_assessment,
        )
        for one in after
    ]
    stopped = {_ADVERSE[EventKind.THERAPY_STOPPED]}
    return [
        response_by_lvesv(implanted_on, assessments).judgement,
        ejection_response(implanted_on, *ejection, setbacks=[one for one in setbacks if one[1] not in stopped]),
        clinical_composite(CompositeFacts(implanted_on, classes[-1] if classes else None, states, setbacks, today)),
    ]
