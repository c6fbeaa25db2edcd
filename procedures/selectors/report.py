"""Everything a session's printed report says, read in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.utils.timezone import localdate

from procedures.models import AnalysisRun, RunState, Session, ThresholdTest
from procedures.selectors.comparison import OPENING_METRICS, SessionComparison, compare_session
from registry.models import AdverseEvent, Assessment, AssessmentKind, PatientIdentity

EVENT_DAYS = 30  # the usual window of a procedure's complications (common practice, no source)


@dataclass(frozen=True)
class SessionReport:
    """The parts of a report that do not hang on the session's own page."""

    session: Session
    identity: PatientIdentity | None
    assessment: Assessment | None
    comparisons: list[SessionComparison]
    threshold_tests: list[ThresholdTest]
    events: list[AdverseEvent]
    events_until: dt.date
    versions: list[str]

    @property
    def born_on(self) -> dt.date | None:
        """The date of birth, where the viewer may see it."""
        return dt.date.fromisoformat(self.identity.birth_date) if self.identity else None

    @property
    def main(self) -> SessionComparison:
        """The comparison that orders the sites."""
        return self.comparisons[0]


def session_report(session: Session, *, with_identity: bool) -> SessionReport:
    """Read the report of a session: the comparison in its first two opening metrics, and what surrounds it."""
    day = localdate(session.started_at)
    until = day + dt.timedelta(days=EVENT_DAYS)
    main = compare_session(session)
    comparisons = [main]
    measured = [metric.key for metric in main.metrics]
    others = [
        key for key in (*OPENING_METRICS, *measured) if key in measured and main.metric and key != main.metric.key
    ]
    if others:
        comparisons.append(compare_session(session, others[0]))
    patient = session.patient
    before = patient.assessments.filter(kind=AssessmentKind.BEFORE, assessed_on__lte=day)
    events = patient.adverse_events.filter(occurred_on__gte=day, occurred_on__lte=until)
    identity = PatientIdentity.objects.filter(patient=patient).first() if with_identity else None
    return SessionReport(
        session=session,
        identity=identity,
        assessment=before.order_by("-assessed_on", "-id").first(),
        comparisons=comparisons,
        threshold_tests=list(ThresholdTest.objects.filter(site__session=session).select_related("site")),
        events=list(events),
        events_until=until,
        versions=_versions(session, comparisons),
    )


def _versions(session: Session, comparisons: list[SessionComparison]) -> list[str]:
    runs = AnalysisRun.objects.filter(recording__session=session, state=RunState.DONE, metrics__isnull=False)
    found = sorted(set(runs.values_list("algorithm_version", flat=True)))
    found = [f"signal analysis {version}" for version in found if version]
    found += sorted({c.summary.algorithm_version for c in comparisons if c.summary})
    return found
