"""Sending runs to the workers, and sending again what was not picked up."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Iterable
from functools import partial
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.db.models import F, Q
from django.db.models.functions import Now

from registry.jobs import beside, queue
from registry.jobs.carrying import carry_out
from registry.jobs.claims import give_up
from registry.jobs.run_kinds import RUN_KINDS, RunKind, run_kind_of
from registry.models import Job, RunState, to_be_taken

# With the sweep's interval (settings.SWEEP_EVERY_S) a lost message is sent again within 15 s.
LATE = dt.timedelta(seconds=9)
MOST_AT_ONCE = 500

_log = logging.getLogger(__name__)


def send_later(run: Job) -> None:
    """Send a run once the surrounding transaction has been committed."""
    transaction.on_commit(partial(_send, run_kind_of(type(run)), run.pk), robust=True)


def send_again(run: Job) -> None:
    """Hurry a run that is busy already: one that waits for another try need not wait, a lost message is sent again."""
    waiting = type(run)._default_manager.filter(pk=run.pk, state=RunState.QUEUED)
    waiting.update(next_try_at=None, attempts=0, failure="")
    send_later(run)


def _send(kind: RunKind, key: UUID) -> None:
    if settings.JOBS_BY == "queue":
        _post(kind.queue, [(kind, key)])
    elif beside.running():
        beside.nudge(kind.queue)
    else:
        # A command of the embedded edition, or a test: nobody waits for a page.
        carry_out(kind.name, key)


def sweep() -> int:
    """Send again what has waited too long, what a lost worker left and what is due for another try; return how many.

    A queue never gets more messages than there are runs waiting for it, however long its workers are busy.
    """
    count = 0
    for name in settings.JOB_QUEUES:
        kinds = [kind for kind in RUN_KINDS.values() if kind.queue == name]
        for kind in kinds:
            give_up(kind.model)
        late = [(kind, key) for kind in kinds for key in _late(kind)]
        if late:
            count += _post(name, late, at_most=sum(_waiting(kind) for kind in kinds))
    return count


def _late(kind: RunKind) -> Iterable[UUID]:
    unheard = Q(sent_at__isnull=True) | Q(sent_at__lt=Now() - LATE)
    rows = kind.model._default_manager.filter(to_be_taken(), unheard)
    return rows.order_by(F("sent_at").asc(nulls_first=True), "pk").values_list("pk", flat=True)[:MOST_AT_ONCE]


def _waiting(kind: RunKind) -> int:
    return kind.model._default_manager.filter(to_be_taken()).count()


def _post(name: str, runs: list[tuple[RunKind, UUID]], at_most: int | None = None) -> int:
    """Put messages into a queue; one that is down is logged and the rows keep what is to be sent."""
    count = 0
    try:
        with queue.opened() as connection:
            if at_most is not None:
                runs = runs[: max(0, at_most - queue.depth(connection, name))]
            for kind, key in runs:
                queue.put(connection, name, kind.name, key)
                kind.model._default_manager.filter(pk=key).update(sent_at=Now())
                count += 1
    except Exception as error:  # any error of a broker's library: no request may fail because of it
        _log.warning("The queue does not answer; background runs wait until it does: %s", error)
    return count
