"""Who has a run: a token, a lease that a heartbeat extends, and an end that only the one who has it can write.

Every change is one UPDATE that names the token, so two workers can neither both own a run nor both write.
"""

from __future__ import annotations

import datetime as dt
import logging
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid4

from django.db import DatabaseError, connection, transaction
from django.db.models import F, QuerySet
from django.db.models.functions import Now
from django.utils import timezone

from registry.models import Job, RunState, to_be_taken

# A worker that gives no sign for so long is lost; with the sweep's interval its run is taken over well within a minute.
LEASE = dt.timedelta(seconds=30)
BEAT_S = 8.0
MAX_ATTEMPTS = 4
FIRST_WAIT_S, WAIT_FACTOR = 10.0, 3.0

_log = logging.getLogger(__name__)


class NotOurs(Exception):
    """The run was cancelled, or taken over; its results are discarded."""


class Refused(Exception):
    """Trying again would not help. The message is the sentence that the page shows."""


class TryAgain(Exception):
    """Trying again may help. The message is the sentence that the page shows meanwhile."""


class NotYet(Exception):
    """What the run needs is still being made. The message is the sentence that the page shows meanwhile."""


@dataclass(frozen=True)
class Claim:
    """A run that is ours as long as its row holds our token."""

    model: type[Job]
    key: UUID
    token: UUID

    def _mine(self) -> QuerySet[Any]:
        return self.model._default_manager.filter(pk=self.key, token=self.token, state=RunState.RUNNING)

    def tell(self, step: str, share: float) -> None:
        """Show how far the run is; ``share`` is from 0 to 1.

        Raises
        ------
        NotOurs
            When it was cancelled or taken over.
        """
        if not self._mine().update(step=step[:80], progress_percent=round(100 * min(max(share, 0.0), 1.0))):
            raise NotOurs

    @contextmanager
    def writing(self, *, last: bool = True) -> Iterator[Any]:
        """Open the transaction that writes what came out; yields the locked row and marks it done at the end.

        What is written before the end, piece by piece, is written with ``last=False``.

        Raises
        ------
        NotOurs
            When it was cancelled or taken over; nothing is written.
        """
        with transaction.atomic():
            row = self._mine().select_for_update(no_key=True).first()
            if row is None:
                raise NotOurs
            yield row
            if not last:
                return
            row.state, row.progress_percent, row.step, row.failure = RunState.DONE, 100, "", ""
            row.token = row.lease_until = row.next_try_at = None
            row.finished_at = timezone.now()
            row.save()

    def extend(self) -> bool:
        """Give a sign of life; False when the run is no longer ours."""
        return bool(self._mine().update(lease_until=Now() + LEASE))

    def fail(self, sentence: str) -> None:
        """End the run with the sentence that says why. Nothing happens when it is no longer ours."""
        self._mine().update(**_ended(RunState.FAILED), failure=sentence)

    def put_back(self, sentence: str) -> None:
        """Let it be tried again after a while that grows with each attempt; after the last one it has failed."""
        row = self._mine().only("attempts").first()
        if row is None:
            return
        if row.attempts >= MAX_ATTEMPTS:
            self.fail(sentence)
        else:
            self._wait(wait_s(row.attempts), failure=sentence, step="")

    def put_off(self, sentence: str) -> None:
        """Let it wait for what it needs, which is still being made; that is no attempt."""
        self._wait(FIRST_WAIT_S, step=sentence[:80], attempts=F("attempts") - 1)

    def _wait(self, seconds: float, **values: Any) -> None:
        nobody = {"token": None, "lease_until": None, "sent_at": None, "progress_percent": 0}
        due = Now() + dt.timedelta(seconds=seconds)
        self._mine().update(state=RunState.QUEUED, next_try_at=due, **nobody, **values)


def wait_s(attempts: int) -> float:
    """Return the seconds to wait after so many attempts: threefold each time, by chance up to a quarter off.

    The chance keeps runs that failed together from coming back together.
    """
    return FIRST_WAIT_S * WAIT_FACTOR ** (attempts - 1) * random.uniform(0.75, 1.25)  # noqa: S311 - no secret


def take(model: type[Job], key: UUID) -> Claim | None:
    """Claim a run that waits or that a lost worker left; None when somebody has it, or it has ended."""
    claim = Claim(model, key, uuid4())
    free = model._default_manager.filter(to_be_taken(), pk=key, attempts__lt=MAX_ATTEMPTS)
    taken = free.update(
        state=RunState.RUNNING, token=claim.token, lease_until=Now() + LEASE, attempts=F("attempts") + 1,
        started_at=Now(), next_try_at=None, step="", progress_percent=0,
    )  # fmt: skip
    return claim if taken else None


def cancel(runs: QuerySet[Any]) -> int:
    """Stop those of the runs that wait or work; a working one hears of it at its next step and writes nothing."""
    return runs.filter(state__in=Job.BUSY).update(**_ended(RunState.CANCELLED))


def give_up(model: type[Job]) -> int:
    """End the runs that lost their worker each time they were tried."""
    lost = model._default_manager.filter(to_be_taken(), attempts__gte=MAX_ATTEMPTS)
    sentence = f"It was started {MAX_ATTEMPTS} times, and its process ended each time before it was done."
    return lost.update(**_ended(RunState.FAILED), failure=sentence)


def _ended(state: RunState) -> dict[str, Any]:
    nobody = {"token": None, "lease_until": None, "next_try_at": None}
    return {"state": state, "finished_at": Now(), "step": "", **nobody}


@contextmanager
def held(claim: Claim) -> Iterator[None]:
    """Keep the lease while the block works, however long it is silent: a thread of its own gives the sign of life."""
    if connection.in_atomic_block:
        # The claim is in a transaction that is not committed yet, so nobody else can see the run, let alone take it.
        yield
        return
    stop = threading.Event()
    thread = threading.Thread(target=_beat, args=(claim, stop), name=f"heartbeat-{claim.key}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def _beat(claim: Claim, stop: threading.Event) -> None:
    while not stop.wait(BEAT_S):
        try:
            if not claim.extend():
                return
        except DatabaseError:
            _log.warning("No sign of life could be given for a background run", exc_info=True)
        finally:
            connection.close()
