"""Gathering what the audit knows of a year's sessions, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from django.db.models import Count, Q
from django.utils import timezone

from analytics.indicators import COMPLICATION_DAYS, SessionFacts
from procedures.models import Decision, Outcome, Session
from registry.models import AdverseEvent, Assessment, Centre, EventKind, Relation
from registry.response import WINDOW_DAYS, Response
from registry.selectors.patients import response_by_lvesv

_EARLY = dt.timedelta(days=COMPLICATION_DAYS)
_COUNTED = {Relation.RELATED, Relation.POSSIBLE}
_FIELDS = (
    "id",
    "code",
    "patient_id",
    "started_at",
    "procedure",
    "outcome",
    "fluoroscopy_min",
    "dose_area_product_gy_cm2",
    "patient__died_on",
)
_EVENT_FIELDS = ("patient_id", "kind", "occurred_on", "relation")


def session_facts(centre: Centre, year: int, *, today: dt.date) -> list[SessionFacts]:
    """Return the facts of the sessions that a centre started in a year, oldest first.

    Sessions of the following January are read too, so that an event after the turn of the year goes to the session it
    belongs to.
    """
    zone = timezone.get_current_timezone()
    first, last = dt.date(year, 1, 1), dt.date(year, 12, 31) + _EARLY
    begin, end = (dt.datetime.combine(day, dt.time(), zone) for day in (first, last + dt.timedelta(days=1)))
    sessions = Session.objects.filter(centre=centre, started_at__gte=begin, started_at__lt=end)
    rows = list(
        sessions.order_by("started_at", "id")
        .values(*_FIELDS)
        .annotate(tested=Count("sites", filter=Q(sites__reached=True)))
    )
    patients = sessions.values("patient")
    events = AdverseEvent.objects.filter(patient__in=patients, occurred_on__range=(first, last))
    happened: list[dict[str, Any]] = [dict(event) for event in events.values(*_EVENT_FIELDS)]
    # A day of death is an event too, whether or not somebody also recorded it as one.
    deaths = {row["patient_id"]: row["patient__died_on"] for row in rows if row["patient__died_on"]}
    happened += [dict(zip(_EVENT_FIELDS, (who, EventKind.DEATH, day, ""), strict=True)) for who, day in deaths.items()]
    by_session = _events_by_session(rows, happened)
    volumes: dict[UUID, list[Assessment]] = defaultdict(list)
    for assessment in Assessment.objects.filter(patient__in=patients, lvesv_ml__isnull=False).only(
        "patient_id", "kind", "assessed_on", "lvesv_ml"
    ):
        volumes[assessment.patient_id].append(assessment)
    # The last decision of a session stands; the dictionary keeps the last one it is given.
    decisions = dict(
        Decision.objects.filter(session__in=sessions)
        .order_by("decided_at", "id")
        .values_list("session_id", "was_leading")
    )
    return [
        _facts(row, by_session[row["id"]], volumes[row["patient_id"]], decisions, today)
        for row in rows
        if timezone.localdate(row["started_at"]).year == year
    ]


def _events_by_session(
    rows: Sequence[dict[str, Any]], events: Iterable[dict[str, Any]]
) -> dict[UUID, list[dict[str, Any]]]:
    """Give each event to the patient's latest session up to its day, if that lies within the early days."""
    sessions: dict[UUID, list[tuple[dt.date, UUID]]] = defaultdict(list)
    for row in rows:
        sessions[row["patient_id"]].append((timezone.localdate(row["started_at"]), row["id"]))
    found: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    for event in events:
        before = [(day, key) for day, key in sessions[event["patient_id"]] if day <= event["occurred_on"]]
        if before and event["occurred_on"] - before[-1][0] <= _EARLY:
            found[before[-1][1]].append(event)
    return found


def _facts(
    row: dict[str, Any],
    events: Sequence[dict[str, Any]],
    volumes: Sequence[Assessment],
    decisions: dict[UUID, bool | None],
    today: dt.date,
) -> SessionFacts:
    day = timezone.localdate(row["started_at"])
    implanted = row["outcome"] == Outcome.LV_LEAD_IMPLANTED
    response = response_by_lvesv(day, volumes) if implanted else None
    return SessionFacts(
        key=row["id"],
        code=row["code"],
        started_on=day,
        procedure=row["procedure"],
        outcome=row["outcome"],
        sites_tested=row["tested"],
        fluoroscopy_min=row["fluoroscopy_min"],
        dose_area_product_gy_cm2=row["dose_area_product_gy_cm2"],
        days_over=today - day > _EARLY,
        complications=frozenset(event["kind"] for event in events if event["relation"] in _COUNTED),
        unjudged=sum(event["relation"] == Relation.UNKNOWN for event in events),
        died_early=any(event["kind"] == EventKind.DEATH for event in events),
        response=response,
        no_response_because=_no_response(response, day, row["patient__died_on"], today) if response else "",
        decided=row["id"] in decisions,
        matched=decisions.get(row["id"]),
    )


def _no_response(response: Response, day: dt.date, died_on: dt.date | None, today: dt.date) -> str:
    """Say why a response cannot be judged; an empty text when it can."""
    if response.verdict != "not_assessable":
        return ""
    missing_after = "after the implant" in response.reason
    window_end = day + dt.timedelta(days=WINDOW_DAYS[1])
    if missing_after and died_on is not None and died_on <= window_end:
        return "died before an LVESV at follow-up"
    if missing_after and today <= window_end:
        return "follow-up window of 3 to 12 months has not ended yet"
    return response.reason.rstrip(".").replace("No LVESV", "no LVESV")
