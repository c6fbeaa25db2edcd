"""Reading queries: those of the centres whose records the user sees."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import QuerySet, prefetch_related_objects

from registry.access import Right, centres_for
from registry.described.kind import RecordKind, queryable
from registry.models import DataQuery, Patient, QueryState, QueryTurn, User

MOST_BESIDE = 50
MOST_RECORDS = 100


@dataclass(frozen=True)
class Shown:
    """A query with the words of what it is about; ``first`` is the question, ``last`` what was said last."""

    query: DataQuery
    what: str
    field: str
    first: Any
    last: Any


def queries_for(user: User) -> QuerySet[DataQuery]:
    """Return the queries the user may see, latest first."""
    return DataQuery.objects.filter(centre__in=centres_for(user, Right.SEE_QUALITY)).select_related("centre", "patient")


def queries_in(user: User, state: str) -> QuerySet[DataQuery]:
    """Return the queries in a state that the user may see, latest first; all of them for a word that is no state."""
    found = queries_for(user)
    return found.filter(state=state) if state in QueryState.values else found


def turns_of(query: DataQuery) -> QuerySet[QueryTurn]:
    """Return what was said about a query, in order."""
    return query.turns.select_related("author")


def find_query(user: User, key: UUID) -> DataQuery:
    """Return one query.

    Raises
    ------
    ObjectDoesNotExist
        When it does not exist or belongs to another centre.
    """
    return queries_for(user).get(pk=key)


def with_words(queries: Iterable[DataQuery]) -> list[Shown]:
    """Return queries with their words; two database queries however many there are."""
    found = list(queries)
    prefetch_related_objects(found, "turns__author")
    shown = []
    for query in found:
        subject = queryable().get(query.record_type)
        turns = list(query.turns.all())
        shown.append(
            Shown(
                query,
                subject.label if subject else query.record_type,
                subject.field_label(query.field) if subject else query.field,
                turns[0] if turns else None,
                turns[-1] if turns else None,
            )
        )
    return shown


def beside(user: User, patient: Patient, record: Any = None) -> list[Shown]:
    """Return the standing queries of a patient, or of one record of theirs, for showing beside it."""
    found = queries_for(user).filter(patient=patient).exclude(state=QueryState.CLOSED)
    if record is not None:
        found = found.filter(record_type=record._meta.label_lower, record_id=record.pk)
    return with_words(found[:MOST_BESIDE])


def record_of(query: DataQuery) -> tuple[RecordKind | None, Any]:
    """Return what a query is about, or nothing when the record is gone."""
    subject = queryable().get(query.record_type)
    return subject, subject.model._default_manager.filter(pk=query.record_id).first() if subject else None


def records_of(patient: Patient) -> list[tuple[RecordKind, list[Any]]]:
    """Return a patient's records by kind, the latest first."""
    found = []
    for subject in queryable().values():
        records = list(subject.of_patient(patient).order_by("-created_at")[:MOST_RECORDS])
        if records:
            found.append((subject, records))
    return found
