"""Reading patients, as far as the viewing user may."""

from __future__ import annotations

import datetime as dt

from django.db.models import Count, Max, Q, QuerySet

from registry.access import Right, centres_for
from registry.models import AssessmentKind, Consent, ConsentScope, Patient, User


def patients_for(user: User, right: Right = Right.SEE_IDENTITY) -> QuerySet[Patient]:
    """Return the patients of the centres in which the user holds the right."""
    return Patient.objects.filter(centre__in=centres_for(user, right))


def patient_list(user: User) -> QuerySet[Patient]:
    """Return the patients with the counts a list shows, identity joined, without a query per row."""
    follow_up = Q(assessments__kind=AssessmentKind.FOLLOW_UP)
    return (
        patients_for(user)
        .select_related("identity", "centre")
        .annotate(
            follow_ups=Count("assessments", filter=follow_up, distinct=True),
            last_seen=Max("assessments__assessed_on"),
            session_count=Count("sessions", distinct=True),
        )
    )


def age_on(birth_date: str, day: dt.date) -> int:
    """Return completed years on a day from an ISO birth date."""
    born = dt.date.fromisoformat(birth_date)
    return day.year - born.year - ((day.month, day.day) < (born.month, born.day))


def with_consent(patients: QuerySet[Patient], scope: ConsentScope, on: dt.date) -> QuerySet[Patient]:
    """Keep the patients whose consent of that scope stood on the day."""
    standing = Consent.objects.filter(scope=scope, given_on__lte=on).filter(
        Q(withdrawn_on__isnull=True) | Q(withdrawn_on__gt=on)
    )
    return patients.filter(pk__in=standing.values("patient"))
