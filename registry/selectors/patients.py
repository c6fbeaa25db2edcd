"""Reading patients, as far as the viewing user may."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.db.models import Count, Exists, Max, OuterRef, Q, QuerySet, Subquery

from registry.access import Right, centres_for, centres_of, require
from registry.identity.merged import ends_of
from registry.models import Assessment, AssessmentKind, Consent, ConsentScope, Patient, User
from registry.models.encrypted import digests
from registry.response import Response, VolumeState, lvesv_response


def patients_for(user: User, right: Right = Right.SEE_IDENTITY) -> QuerySet[Patient]:
    """Return the patients of the centres in which the user holds the right, each person once."""
    return Patient.objects.filter(centre__in=centres_for(user, right), merged_into__isnull=True)


def newest_patients(user: User, right: Right, most: int) -> list[Patient]:
    """Return the patients registered last in the centres in which the user holds the right."""
    return list(patients_for(user, right).order_by("-created_at")[:most])


def identities_seen(user: User, patients: Iterable[Patient]) -> set[UUID]:
    """Return the keys of those patients whose identifiers the user may see."""
    return set(patients_for(user).filter(pk__in=[one.pk for one in patients]).values_list("pk", flat=True))


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
        .order_by("code", "id")  # an aggregate drops the model's own order
    )


def find_patient(user: User, key: UUID, right: Right) -> Patient:
    """Return one patient, for somebody who holds the right in the patient's centre.

    Raises
    ------
    ObjectDoesNotExist
        When there is no such patient in a centre of the user: another centre's patient is not found.
    AccessDenied
        When the user is a member of the patient's centre without the right.
    """
    patient = Patient.objects.select_related("centre", "identity").get(pk=key, centre__in=centres_of(user))
    require(user, patient.centre_id, right)
    return patient


def search_patients(user: User, sought: str) -> QuerySet[Patient]:
    """Return the patients whose code or hospital number is exactly the one sought."""
    return patient_list(user).filter(pk__in=meant_by(patients_for(user), sought).values("pk"))


def meant_by(patients: QuerySet[Patient], sought: str) -> QuerySet[Patient]:
    """Keep the patients with this code or hospital number, or into whom one with it was merged."""
    known = Patient.objects.filter(
        Q(identity__local_identifier_digest__in=digests(sought)) | Q(code__iexact=sought.strip())
    )
    keys = set(known.values_list("pk", flat=True))
    return patients.filter(pk__in=keys | ends_of(keys))


def response_by_lvesv(implanted_on: dt.date, assessments: Iterable[Assessment]) -> Response:
    """Judge a patient's response from the assessments on record."""
    states: dict[str, list[VolumeState]] = {AssessmentKind.BEFORE: [], AssessmentKind.FOLLOW_UP: []}
    for record in assessments:
        if record.lvesv_ml is not None:
            states[record.kind].append(VolumeState(record.assessed_on, record.lvesv_ml))
    return lvesv_response(implanted_on, states[AssessmentKind.BEFORE], states[AssessmentKind.FOLLOW_UP])


def age_on(birth_date: str, day: dt.date) -> int:
    """Return completed years on a day from an ISO birth date."""
    born = dt.date.fromisoformat(birth_date)
    return day.year - born.year - ((day.month, day.day) < (born.month, born.day))


def with_consent(patients: QuerySet[Patient], scope: ConsentScope, on: dt.date) -> QuerySet[Patient]:
    """Keep the patients whose consent of that scope stood on the day.

    A withdrawal is the person's, not one sheet's: it ends every consent of the scope given before its day. Only one
    given on that day or later stands again.
    """
    overtaken = _withdrawals(scope=scope, withdrawn_on__lte=on)
    standing = Consent.objects.filter(~Exists(overtaken), scope=scope, given_on__lte=on)
    return patients.filter(pk__in=standing.values("patient"), merged_into__isnull=True)


def without_withdrawal(patients: QuerySet[Patient], scope: ConsentScope, on: dt.date) -> QuerySet[Patient]:
    """Leave out the patients who took a consent of that scope back by the day and gave no other since."""
    withdrawn = Consent.objects.filter(scope=scope, withdrawn_on__lte=on).values("patient")
    standing = with_consent(patients, scope, on).values("pk")
    return patients.exclude(Q(pk__in=withdrawn) & ~Q(pk__in=standing))


def consents_of(patient: Patient) -> QuerySet[Consent]:
    """Return a patient's consents, each with the last day on which one of its scope was taken back after it."""
    last = _withdrawals(scope=OuterRef("scope")).order_by("-withdrawn_on").values("withdrawn_on")[:1]
    return Consent.objects.filter(patient=patient).annotate(ended_on=Subquery(last)).order_by("given_on", "id")


def _withdrawals(**narrowed: Any) -> QuerySet[Consent]:
    """Return, for an outer query of consents, it itself if taken back, and others taken back after its day.

    A new sheet signed on the day the old one is taken back stands: that is how a new version is signed.
    """
    ended = Q(pk=OuterRef("pk"), withdrawn_on__isnull=False) | Q(withdrawn_on__gt=OuterRef("given_on"))
    return Consent.objects.filter(ended, patient=OuterRef("patient"), **narrowed).order_by()
