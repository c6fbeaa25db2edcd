"""A word that changes whenever a session's comparison would read differently."""

from __future__ import annotations

from uuid import UUID

from django.db.models import Max, OuterRef, Subquery
from django.db.models.query import QuerySet

from procedures.models import ComparisonRun, Decision, LeadMeasurement, ResponseSummary, Session, Site


def is_behind(session: Session) -> bool:
    """Return whether entries are still to be worked into the comparison."""
    return ComparisonRun.objects.filter(session=session, state__in=ComparisonRun.BUSY).exists()


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
