"""Patients who may be one person.

Close matches are looked for by decrypting a centre's identifiers in memory, for the clinical lead who asks and when
somebody is registered, rather than by storing anything about them that could be compared: phonetic or per-part hashes
in the database would tell by their frequencies. The number compared at once is bounded, and the look is recorded like
every other.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, QuerySet

from registry.access import Right, centres_for, require
from registry.identity.matching import Person, alike_pairs, alike_to
from registry.identity.merged import owned_by_patients
from registry.models import Centre, PairApart, Patient, PatientMerge, User

# Decrypting and comparing this many takes about two seconds; more are compared newest first.
MOST_COMPARED = 5000
MOST_SHOWN = 50
MOST_ASKED = 10


@dataclass(frozen=True)
class SuspectedPair:
    """Two patients and why they may be one."""

    first: Patient
    second: Patient
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class LookAlike:
    """A patient on record who may be the person about to be registered, and why."""

    patient: Patient
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Suspects:
    """The pairs of a centre, strongest first, and how many there are in all."""

    pairs: list[SuspectedPair]
    count: int
    compared: int
    patients: int


def suspected_pairs(user: User, centre: Centre) -> Suspects:
    """Return the pairs of a centre that may be one person and were not judged yet.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    """
    require(user, centre.pk, Right.OVERSEE_IDENTITY)
    standing = _standing(centre)
    people = sorted(_newest(standing), key=lambda patient: patient.code)
    apart = set(PairApart.objects.filter(centre=centre).values_list("first_id", "second_id"))
    by_key = {patient.pk: patient for patient in people}
    alike = [
        pair
        for pair in alike_pairs(_person(patient) for patient in people)
        if (min(pair.first, pair.second), max(pair.first, pair.second)) not in apart
    ]
    shown = [SuspectedPair(by_key[pair.first], by_key[pair.second], pair.reasons) for pair in alike[:MOST_SHOWN]]
    _count_records([patient for pair in shown for patient in (pair.first, pair.second)])
    return Suspects(shown, len(alike), len(people), standing.count())


def look_alikes(user: User, centre: Centre, person: Person[UUID]) -> list[LookAlike]:
    """Return the patients of a centre who may be a person about to be registered, the most alike first.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    """
    require(user, centre.pk, Right.SEE_IDENTITY)
    by_key = {patient.pk: patient for patient in _newest(_standing(centre))}
    alike = alike_to(person, (_person(patient) for patient in by_key.values()))
    return [LookAlike(by_key[pair.second], pair.reasons) for pair in alike[:MOST_ASKED]]


def _standing(centre: Centre) -> QuerySet[Patient]:
    return Patient.objects.filter(centre=centre, merged_into__isnull=True)


def _newest(patients: QuerySet[Patient]) -> QuerySet[Patient]:
    return patients.select_related("identity").order_by("-created_at", "-pk")[:MOST_COMPARED]


def _person(patient: Patient) -> Person[UUID]:
    """Read past the attributes that note a look: comparing shows nobody, only those listed are seen."""
    stored = patient.identity.__dict__
    return Person(
        key=patient.pk,
        family_name=stored["family_name"],
        given_name=stored["given_name"],
        birth_date=stored["birth_date"],
        number=stored["local_identifier"],
    )


def _count_records(patients: list[Patient]) -> None:
    """Give the patients the counts by which one is chosen."""
    counted = Patient.objects.filter(pk__in={patient.pk for patient in patients}).annotate(
        sessions_held=Count("sessions", distinct=True), assessments_made=Count("assessments", distinct=True)
    )
    counts = {one.pk: (one.sessions_held, one.assessments_made) for one in counted}
    for patient in patients:
        patient.sessions_held, patient.assessments_made = counts[patient.pk]  # type: ignore[attr-defined] # counted for the page only


def pair_to_merge(user: User, first: UUID, second: UUID) -> tuple[Patient, Patient]:
    """Return two patients of a centre in which the user judges duplicates.

    Raises
    ------
    ObjectDoesNotExist
        When one is not found there.
    """
    patients = Patient.objects.filter(centre__in=centres_for(user, Right.OVERSEE_IDENTITY)).select_related(
        "identity", "centre"
    )
    pair = patients.get(pk=first), patients.get(pk=second)
    _count_records(list(pair))
    return pair


def merges_for(user: User) -> QuerySet[PatientMerge]:
    """Return the merges of the centres in which the user judges duplicates, latest first."""
    return PatientMerge.objects.filter(centre__in=centres_for(user, Right.OVERSEE_IDENTITY)).select_related(
        "kept", "merged", "merged_by", "undone_by", "centre"
    )


def merges_in(user: User, centre: Centre) -> QuerySet[PatientMerge]:
    """Return the merges of a centre, as far as the user oversees it."""
    return merges_for(user).filter(centre=centre)


def find_merge(user: User, key: UUID) -> PatientMerge:
    """Return one merge.

    Raises
    ------
    ObjectDoesNotExist
        When it does not exist or belongs to another centre.
    """
    return merges_for(user).get(pk=key)


def merged_codes(patient: Patient) -> list[Patient]:
    """Return the other codes that were merged into a patient's, at once or by way of another."""
    found: dict[UUID, Patient] = {}
    last = [patient.pk]
    while last:
        rows = {one.pk: one for one in Patient.objects.filter(merged_into__in=last)}
        found |= rows
        last = list(rows)
    return sorted(found.values(), key=lambda one: one.code)


def left_behind(patient: Patient) -> list[str]:
    """Return in words what stayed with a merged code because the other patient had the same already."""
    if not patient.merged_into_id:
        return []
    return [
        f"{model._meta.verbose_name} {row}"
        for model in owned_by_patients()
        for row in model._default_manager.filter(patient=patient).order_by("pk")[:MOST_SHOWN]
    ]
