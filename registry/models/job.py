"""What the table of every kind of background run has in common."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.db.models.functions import Now

from registry.models.constraints import one_of, within
from registry.models.declared import UPKEEP, declare, withheld


class RunState(models.TextChoices):
    """Where a run stands."""

    QUEUED = "queued", "Waiting"
    RUNNING = "running", "Running"
    DONE = "done", "Done"
    FAILED = "failed", "Failed"
    CANCELLED = "cancelled", "Cancelled"


class Job(models.Model):
    """A background run. Its row is also the outbox: what waits here is sent until somebody takes it.

    Times are the database's own, so that the clocks of web and worker machines need not agree.
    """

    BUSY: ClassVar = (RunState.QUEUED, RunState.RUNNING)

    state = models.CharField(max_length=10, choices=RunState, default=RunState.QUEUED)
    progress_percent = models.PositiveSmallIntegerField(default=0)
    step = models.CharField(max_length=80, blank=True)
    # Why it failed, or why the last attempt did while another is to come.
    failure = models.TextField(blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    # Who has it: a token made at each claim, and until when it is kept without a sign of life.
    token = models.UUIDField(null=True, blank=True, editable=False)
    lease_until = models.DateTimeField(null=True, blank=True, editable=False)
    sent_at = models.DateTimeField(null=True, blank=True, editable=False)
    next_try_at = models.DateTimeField(null=True, blank=True, editable=False)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    handling = declare(
        withheld("state progress_percent step failure attempts token lease_until sent_at next_try_at", UPKEEP),
        withheld("started_at finished_at", UPKEEP),
    )

    class Meta:
        abstract = True

    @property
    def busy(self) -> bool:
        """Whether it waits or works."""
        return self.state in self.BUSY


def to_be_taken() -> Q:
    """Return the condition of rows that a worker may take: waiting and due, or left behind by a lost worker."""
    due = Q(next_try_at__isnull=True) | Q(next_try_at__lte=Now())
    return (Q(state=RunState.QUEUED) & due) | Q(state=RunState.RUNNING, lease_until__lt=Now())


def job_constraints(table: str) -> list[models.BaseConstraint]:
    """Return the constraints that every table of runs takes into its ``Meta``."""
    return [
        one_of(table, "state", RunState.values),
        within(table, "progress_percent", 0, 100),
        models.CheckConstraint(
            condition=~Q(state=RunState.RUNNING) | Q(token__isnull=False, lease_until__isnull=False),
            name=f"{table}_running_is_claimed",
        ),
    ]


def job_index(table: str) -> models.Index:
    """Return the index by which busy runs are found among all that ever were."""
    return models.Index(fields=("state",), condition=Q(state__in=Job.BUSY), name=f"{table}_busy")
