"""What a coordinator has to do: one list for each thing that can be missing, wrong or waiting."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.utils import timezone

from analytics.selectors.quality import unusual
from procedures.models import Outcome, Session, Status
from registry.described.kind import RecordKind, queryable
from registry.models import (
    AdverseEvent,
    Assessment,
    AssessmentKind,
    Centre,
    DataQuery,
    Patient,
    QueryState,
    Relation,
)

SIGN_WITHIN_DAYS = 7
LONGEST_SESSION = dt.timedelta(hours=12)
RESPONSE_AFTER_DAYS = 183
EF_MAY_DIFFER = 15.0


@dataclass(frozen=True)
class Item:
    """One list: what is wrong, what to do about it, and the records of a centre that it is about."""

    key: str
    label: str
    what_to_do: str
    records: Callable[[Centre], QuerySet[Any]]
    subject: str


def _sessions(centre: Centre) -> QuerySet[Session]:
    return Session.objects.filter(centre=centre)


def _unsigned(centre: Centre) -> QuerySet[Session]:
    before = timezone.now() - dt.timedelta(days=SIGN_WITHIN_DAYS)
    return _sessions(centre).filter(status=Status.OPEN, started_at__lt=before)


def _without_baseline(centre: Centre) -> QuerySet[Patient]:
    before = Assessment.objects.filter(patient=OuterRef("pk"), kind=AssessmentKind.BEFORE)
    return Patient.objects.filter(~Exists(before), centre=centre)


def _without_late_volume(centre: Centre) -> QuerySet[Session]:
    after = Assessment.objects.filter(
        patient=OuterRef("patient"),
        kind=AssessmentKind.FOLLOW_UP,
        lvesv_ml__isnull=False,
        assessed_on__gt=OuterRef("started_at__date"),
    )
    old = timezone.now() - dt.timedelta(days=RESPONSE_AFTER_DAYS)
    implanted = _sessions(centre).filter(outcome=Outcome.LV_LEAD_IMPLANTED, started_at__lt=old)
    return implanted.filter(~Exists(after), patient__died_on__isnull=True)


def _assessments(centre: Centre) -> QuerySet[Assessment]:
    return Assessment.objects.filter(patient__centre=centre)


def _follow_up_without_implant(centre: Centre) -> QuerySet[Assessment]:
    implant = Session.objects.filter(patient=OuterRef("patient"), started_at__date__lte=OuterRef("assessed_on"))
    return _assessments(centre).filter(~Exists(implant), kind=AssessmentKind.FOLLOW_UP)


def _volumes_against_ef(centre: Centre) -> QuerySet[Assessment]:
    by_volume = 100 * (F("lvedv_ml") - F("lvesv_ml")) / F("lvedv_ml")
    measured = _assessments(centre).filter(lvedv_ml__gt=0, lvesv_ml__isnull=False, lvef_percent__isnull=False)
    apart = measured.annotate(difference=by_volume - F("lvef_percent"))
    return apart.filter(Q(difference__gt=EF_MAY_DIFFER) | Q(difference__lt=-EF_MAY_DIFFER))


def _unusual(subject: RecordKind) -> Callable[[Centre], QuerySet[Any]]:
    def records(centre: Centre) -> QuerySet[Any]:
        condition = Q()
        for name in subject.usual:
            condition |= unusual(subject, name) or Q()
        return subject.of_centre(centre).filter(condition)

    return records


def items() -> list[Item]:
    """Return every list, the waiting queries first."""
    fixed = [
        Item(
            "session-outcome",
            "Sessions without an outcome",
            "Record the outcome of the session.",
            lambda centre: _sessions(centre).filter(outcome=Outcome.UNKNOWN),
            "procedures.session",
        ),
        Item(
            "session-unsigned",
            f"Sessions not signed after {SIGN_WITHIN_DAYS} days",
            "Ask a physician to check and sign.",
            _unsigned,
            "procedures.session",
        ),
        Item(
            "no-baseline",
            "Patients without an assessment before the implant",
            "Enter an assessment before the implant; without it response cannot be assessed.",
            _without_baseline,
            "registry.patient",
        ),
        Item(
            "no-late-volume",
            "Implants older than 6 months without LVESV at follow-up",
            "Request the echocardiogram. The patient is recorded as alive.",
            _without_late_volume,
            "procedures.session",
        ),
        Item(
            "event-relation",
            "Adverse events with unknown relation to the procedure",
            "Ask a physician to assess the relation to the procedure.",
            lambda centre: AdverseEvent.objects.filter(patient__centre=centre, relation=Relation.UNKNOWN),
            "registry.adverseevent",
        ),
        Item(
            "assessed-after-death",
            "Assessments dated after death",
            "One of the two dates is wrong. Correct it.",
            lambda centre: _assessments(centre).filter(assessed_on__gt=F("patient__died_on")),
            "registry.assessment",
        ),
        Item(
            "follow-up-before-implant",
            "Follow-ups without an earlier session",
            "Correct the date or the kind of the assessment, or enter the missing session.",
            _follow_up_without_implant,
            "registry.assessment",
        ),
        Item(
            "volumes-ef",
            f"LVEF more than {EF_MAY_DIFFER:.0f} points different from the volumes",
            "Check the volumes and the ejection fraction against the report.",
            _volumes_against_ef,
            "registry.assessment",
        ),
        Item(
            "session-length",
            "Sessions longer than 12 hours",
            "Check start and end.",
            lambda centre: _sessions(centre).filter(ended_at__gt=F("started_at") + LONGEST_SESSION),
            "procedures.session",
        ),
    ]
    strange = [
        Item(
            f"unusual-{subject.key.rpartition('.')[2]}",
            f"{subject.label}: values outside the usual range",
            "Compare with the source. Correct the value, or leave it if it is correct.",
            _unusual(subject),
            subject.key,
        )
        for subject in queryable().values()
        if subject.usual
    ]
    return [*fixed, *strange]


def listed(item: Item, centre: Centre, subject: RecordKind) -> QuerySet[Any]:
    """Return the records of a list with their patients, in order of entry."""
    records = item.records(centre).order_by("created_at", "pk")
    return records.select_related(subject.patient) if subject.patient else records


def unusual_values(subject: RecordKind, record: Any) -> list[str]:
    """Return a record's unusual values in words."""
    said, confirmed = [], getattr(record, "confirmed_unusual", [])
    for name, (low, high) in subject.usual.items():
        value = getattr(record, name)
        if value is not None and not low <= value <= high:
            target = next(one for one in subject.worded_fields if one.name == name)
            noted = ", confirmed when entered" if name in confirmed else ""
            said.append(f"{target.label} {value:g} {target.unit}".strip() + f" (usual: {low:g} to {high:g}{noted})")
    return said


def counts(centre: Centre) -> list[tuple[Item, int]]:
    """Return how long each list is; one query a list, however long."""
    return [(item, item.records(centre).count()) for item in items()]


def waiting_queries(centre: Centre) -> dict[str, int]:
    """Return how many queries wait for an answer, and how many for their closing."""
    states = DataQuery.objects.filter(centre=centre).exclude(state=QueryState.CLOSED)
    held = list(states.values_list("state", flat=True).order_by()[:10_000])
    return {state: held.count(state) for state in (QueryState.OPEN, QueryState.ANSWERED)}
