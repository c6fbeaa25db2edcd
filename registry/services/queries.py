"""Raising, answering, closing and reopening queries on the data."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db import transaction

from registry.access import Right, require
from registry.described.kind import queryable
from registry.errors import RuleBroken
from registry.identity.merged import refuse_merged
from registry.models import DataQuery, QueryState, QueryTurn, TurnKind, User
from registry.services.records import change, put

LONGEST = 2000


@transaction.atomic
def raise_query(
    *, by: User, record_type: str, record: Any, field: str, text: str, key: UUID | None = None
) -> DataQuery:
    """Ask about a field of a record, or with an empty ``field`` about the record; the same key again is a replay.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When there is no such field, nothing is asked, or an open query asks about the field already.
    """
    subject = queryable()[record_type]
    patient = subject.patient_of(record)
    require(by, patient.centre_id, Right.RAISE_QUERIES)
    refuse_merged(patient)
    text = _said(text, "question")
    if field and field not in {target.name for target in subject.worded_fields}:
        raise RuleBroken(
            f"'{field}' is not a field of this record.", fields={"field": ["Choose a field from the list."]}
        )
    standing = DataQuery.objects.filter(record_type=record_type, record_id=record.pk, field=field)
    standing = standing.exclude(state=QueryState.CLOSED)
    if (standing.exclude(pk=key) if key else standing).exists():
        message = f"There is already an open query about {subject.field_label(field)}."
        raise RuleBroken(message, fields={"field": [message]})
    values = {"record_type": record_type, "record_id": record.pk, "field": field}
    scope = {"centre_id": patient.centre_id, "patient_id": patient.pk}
    query, made = put(DataQuery, by=by, centre_id=patient.centre_id, scope=scope, values=values, key=key)
    if made:
        _turn(query, by, TurnKind.RAISED, text)
    return query


def answer_query(*, by: User, query: DataQuery, text: str) -> DataQuery:
    """Answer a query that waits for an answer; it stays until it is closed."""
    return _move(
        query,
        by,
        Right.ANSWER_QUERIES,
        (QueryState.OPEN,),
        QueryState.ANSWERED,
        TurnKind.ANSWERED,
        _said(text, "answer"),
    )


def close_query(*, by: User, query: DataQuery, text: str = "") -> DataQuery:
    """Close a query, answered or not; a word why is welcome."""
    standing = (QueryState.OPEN, QueryState.ANSWERED)
    return _move(query, by, Right.RAISE_QUERIES, standing, QueryState.CLOSED, TurnKind.CLOSED, text.strip()[:LONGEST])


def reopen_query(*, by: User, query: DataQuery, text: str) -> DataQuery:
    """Reopen a query that was answered or closed, with the reason."""
    standing = (QueryState.ANSWERED, QueryState.CLOSED)
    return _move(query, by, Right.RAISE_QUERIES, standing, QueryState.OPEN, TurnKind.REOPENED, _said(text, "reason"))


@transaction.atomic
def _move(
    query: DataQuery,
    by: User,
    right: Right,
    standing: tuple[QueryState, ...],
    state: QueryState,
    kind: TurnKind,
    text: str,
) -> DataQuery:
    require(by, query.centre_id, right)
    locked = DataQuery.objects.select_for_update(no_key=True).get(pk=query.pk)
    if locked.state not in standing:
        raise RuleBroken(f"This query cannot be {kind.label.lower()}: it is '{locked.get_state_display()}'.")
    _turn(locked, by, kind, text)
    return change(locked, by=by, centre_id=locked.centre_id, values={"state": state}, version=None)


def _turn(query: DataQuery, by: User, kind: TurnKind, text: str) -> None:
    values = {"kind": kind, "text": text, "author": by}
    put(QueryTurn, by=by, centre_id=query.centre_id, scope={"query": query}, values=values)


def _said(text: str, what: str) -> str:
    text = text.strip()
    if not text:
        raise RuleBroken(f"Write the {what}.", fields={"text": [f"Write the {what}."]})
    if len(text) > LONGEST:
        raise RuleBroken(f"The {what} is longer than {LONGEST} characters.", fields={"text": ["Shorten it."]})
    return text
