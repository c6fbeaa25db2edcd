"""Queries on the data: somebody asks about a field of a record, somebody answers, and the one who asked closes it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from registry.models.base import Record
from registry.models.constraints import one_of
from registry.models.declared import FREE_TEXT, PLACE, STAFF, UPKEEP, declare, withheld
from registry.models.patient import Patient
from registry.models.people import Centre, User


class QueryState(models.TextChoices):
    """Whose turn it is."""

    OPEN = "open", "Waiting for an answer"
    ANSWERED = "answered", "Answered, waiting to be closed"
    CLOSED = "closed", "Closed"


class DataQuery(Record):
    """A question about one field of one record, or about the record as a whole when ``field`` is empty.

    The record is named by its kind and key, so that a query can be about any record of a patient.
    """

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="queries")
    patient = models.ForeignKey(Patient, models.CASCADE, related_name="queries")
    record_type = models.CharField(max_length=40)
    record_id = models.UUIDField()
    field = models.CharField(max_length=60, blank=True)
    state = models.CharField(max_length=10, choices=QueryState, default=QueryState.OPEN)

    handling = declare(
        withheld("centre", PLACE),
        withheld("patient record_type record_id field state", UPKEEP),
    )

    class Meta:
        verbose_name_plural = "data queries"
        ordering = ("-created_at", "-id")
        indexes = [
            models.Index(fields=("centre", "state", "-created_at")),
            models.Index(fields=("patient", "state")),
        ]
        constraints = [one_of("dataquery", "state", QueryState.values)]

    def __str__(self) -> str:
        return f"query {self.pk}"


class TurnKind(models.TextChoices):
    """What was done."""

    RAISED = "raised", "Raised"
    ANSWERED = "answered", "Answered"
    CLOSED = "closed", "Closed"
    REOPENED = "reopened", "Reopened"


class QueryTurn(Record):
    """One thing said about a query, by whom; never changed afterwards."""

    query = models.ForeignKey(DataQuery, models.CASCADE, related_name="turns")
    kind = models.CharField(max_length=10, choices=TurnKind)
    text = models.TextField(blank=True)
    author = models.ForeignKey(User, models.PROTECT, related_name="+")

    handling = declare(
        withheld("query kind", UPKEEP),
        withheld("text", FREE_TEXT),
        withheld("author", STAFF),
    )

    class Meta:
        ordering = ("created_at", "id")
        constraints = [
            one_of("queryturn", "kind", TurnKind.values),
            models.CheckConstraint(condition=Q(kind=TurnKind.CLOSED) | ~Q(text=""), name="queryturn_says_something"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} by {self.author}"
