"""A word that changes whenever a session's comparison would read differently."""

from __future__ import annotations

from uuid import UUID

from django.db.models import Max, OuterRef, Subquery
from django.db.models.query import QuerySet

from procedures.models import ComparisonRun, Decision, LeadMeasurement, ResponseSummary, Session, Site
from registry.models import RunState


def comparing(session: Session) -> ComparisonRun | None:
    """Return the run that still has entries to work into the comparison, or failed to; none when it is in step."""
    behind = [*ComparisonRun.BUSY, RunState.FAILED]
    return ComparisonRun.objects.filter(session=session, state__in=behind).first()


def comparison_state(session_id: UUID) -> str:
    """Return the moment of the last change that the comparison shows, in one query; open pages ask for it often."""

    def latest(rows: QuerySet, field: str, session: str = "session") -> Subquery:
        found = rows.filter(**{session: OuterRef("pk")}).order_by().values(session)
        return Subquery(found.annotate(latest=Max(field)).values("latest"))

    moments = Session.objects.filter(pk=session_id).values_list(
        "updated_at",
        latest(ResponseSummary.objects.all(), "computed_at"),
        latest(Site.objects.all(), "updated_at"),
        latest(Decision.objects.all(), "updated_at"),
        latest(LeadMeasurement.objects.all(), "updated_at", "site__session"),
    )
    return max(moment for moment in moments[0] if moment).isoformat()
