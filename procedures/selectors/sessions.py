"""Reading sessions, as far as the viewing user may."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, OuterRef, Prefetch, Q, QuerySet, Subquery

from procedures.models import Decision, Difficulty, Epoch, LeadMeasurement, Session, Site
from registry.access import Right, allowed, centres_for
from registry.models import User


def sessions_for(user: User, right: Right = Right.SEE_SESSIONS) -> QuerySet[Session]:
    """Return the sessions of the centres in which the user holds the right."""
    return Session.objects.filter(centre__in=centres_for(user, right))


def rights_in(user: User, session: Session) -> dict[str, bool]:
    """Return what the user may do in this session's centre, by name of the right."""
    wanted = (Right.WRITE_SESSIONS, Right.DECIDE, Right.SIGN, Right.SEE_IDENTITY)
    return {right.name.lower(): allowed(user, session.centre_id, right) for right in wanted}


def session_list(user: User) -> QuerySet[Session]:
    """Return the sessions, newest first, with what a list shows, without a query per row."""
    chosen = Decision.objects.filter(session=OuterRef("pk")).order_by("-decided_at", "-id")
    return (
        sessions_for(user)
        .select_related("patient", "centre", "operator")
        .annotate(
            sites_tested=Count("sites", filter=Q(sites__reached=True), distinct=True),
            sites_not_reached=Count("sites", filter=Q(sites__reached=False), distinct=True),
            baselines=Count("epochs", filter=Q(epochs__site__isnull=True), distinct=True),
            chosen_site=Subquery(chosen.values("site__label")[:1]),
        )
        # Said again here: a model's own ordering is not applied to a query that counts.
        .order_by("-started_at", "-id")
    )


def narrowed(sessions: QuerySet[Session], *, text: str, status: str, year: int | None) -> QuerySet[Session]:
    """Keep the sessions with this text in the session's or patient's code, of this status and year; empty keeps all."""
    if text:
        sessions = sessions.filter(Q(code__icontains=text) | Q(patient__code__icontains=text))
    if status:
        sessions = sessions.filter(status=status)
    if year:
        sessions = sessions.filter(started_at__year=year)
    return sessions


def labels_of_sites(session: Session) -> list[str]:
    """Return the labels of the session's sites."""
    return list(session.sites.values_list("label", flat=True))


def decisions_of(session: Session) -> QuerySet[Decision]:
    """Return the session's decisions, the latest first."""
    return session.decisions.select_related("site", "decided_by").order_by("-decided_at", "-id")


def session_detail(user: User) -> QuerySet[Session]:
    """Return sessions ready for the page of one: everything of the day in a fixed number of queries."""
    measurements = LeadMeasurement.objects.order_by("measured_at", "id")
    sites = Site.objects.select_related("tributary").prefetch_related(
        Prefetch("measurements", queryset=measurements), "threshold_tests", "epochs"
    )
    epochs = Epoch.objects.select_related("site", "pacing", "recording").prefetch_related("metrics")
    return (
        sessions_for(user)
        .select_related("patient", "centre", "operator", "signed_by")
        .prefetch_related(
            Prefetch("sites", queryset=sites),
            Prefetch("epochs", queryset=epochs),
            Prefetch("decisions", queryset=Decision.objects.select_related("site", "decided_by")),
            "tributaries",
            Prefetch("difficulties", queryset=Difficulty.objects.select_related("site", "tributary", "author")),
            "log_entries__author",
            "recordings__runs",
            "recordings__signals",
            "amendments__made_by",
        )
    )


@dataclass(frozen=True)
class Moment:
    """One thing on the timeline: when, what kind, and the record behind it."""

    at: dt.datetime
    kind: str  # "log", "epoch", "measurement", "threshold_test", "difficulty", "recording", "decision"
    record: Any


def timeline(session: Session) -> list[Moment]:
    """Return everything timed in a session in order; give it a session of :func:`session_detail`."""
    moments = [Moment(entry.occurred_at, "log", entry) for entry in session.log_entries.all()]
    moments += [Moment(epoch.started_at, "epoch", epoch) for epoch in session.epochs.all()]
    moments += [Moment(recording.started_at, "recording", recording) for recording in session.recordings.all()]
    moments += [Moment(decision.decided_at, "decision", decision) for decision in session.decisions.all()]
    moments += [Moment(difficulty.noted_at, "difficulty", difficulty) for difficulty in session.difficulties.all()]
    for site in session.sites.all():
        moments += [Moment(m.measured_at, "measurement", m) for m in site.measurements.all()]
        moments += [Moment(test.tested_at, "threshold_test", test) for test in site.threshold_tests.all()]
    return sorted(moments, key=lambda moment: moment.at)
