"""How the service is doing: which of its components stand, what waits, what failed, how much room is left.

Nothing here grows with the registry: busy runs have an index of their own, and failures are looked for among the runs
of the last days, whose keys are in the order of time.
"""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Count, F, Max, Min, QuerySet
from django.db.models.functions import Coalesce, Now
from django.utils import timezone

from registry.access import Right, centres_for, require_somewhere
from registry.errors import RuleBroken
from registry.jobs import RUN_KINDS, RunKind, queue, signs
from registry.models import Job, RunState, Sign, User, to_be_taken
from registry.selectors.erasures import is_back, noted_erasures

FAILURES_OF = dt.timedelta(days=7)
MOST_FAILURES = 50


@dataclass(frozen=True)
class Component:
    """A component of the service. Without a needed one no request is answered; the others may be down for a while."""

    name: str
    well: bool
    says: str
    needed: bool = False


def components() -> list[Component]:
    """Return every component and how it is; nothing raises."""
    database = _database()
    found = [database, _room()]
    if not database.well:
        return found
    found.append(_migrations())
    if not found[-1].well:
        return found  # what is asked next may not have its table yet
    found.append(_erasures())
    if settings.JOBS_BY == "queue":
        found += [_queue(), _clock()]
    found += [_workers(name) for name in settings.JOB_QUEUES]
    return found


def _database() -> Component:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return Component("database", False, "The database does not answer.", needed=True)
    return Component("database", True, "The database answers.", needed=True)


def unapplied_migrations() -> int:
    """Return how many migrations of this version have not been applied; once there are none, it is not asked again."""
    return 0 if _all_applied.get("yes") else _count_unapplied()


_all_applied: dict[str, bool] = {}


def _count_unapplied() -> int:
    executor = MigrationExecutor(connection)
    count = len(executor.migration_plan(executor.loader.graph.leaf_nodes()))
    _all_applied["yes"] = count == 0
    return count


def _migrations() -> Component:
    count = unapplied_migrations()
    says = (
        "All migrations are applied." if not count else f"{count} migrations are not applied: run 'manage.py migrate'."
    )
    return Component("migrations", not count, says, needed=True)


def _erasures() -> Component:
    """A database from an earlier backup must not be read before those erased since are erased from it again."""
    try:
        count = sum(map(is_back, noted_erasures()))
    except RuleBroken as error:
        return Component("erasures", False, str(error), needed=True)
    if count:
        says = f"{count} erased patients are back, as after a restore: run 'manage.py apply_erasures'."
        return Component("erasures", False, says, needed=True)
    return Component("erasures", True, "Nobody who was erased is there.", needed=True)


def _room() -> Component:
    free = min(space.free for _, space in disks())
    well = free > settings.STORE_RESERVE_BYTES
    words = f"{free // 1024**2} MB are free" + ("." if well else ", too little to take files in.")
    return Component("disk", well, words)


def disks() -> Iterator[tuple[str, Any]]:
    """Yield what is kept on disk, and the total, used and free bytes of the disk it lies on."""
    for name, place in (("recordings", settings.MEDIA_ROOT), ("other files", settings.VAR_DIR)):
        path = Path(place)
        existing = next(one for one in (path, *path.parents) if one.exists())
        yield name, shutil.disk_usage(existing)


def _queue() -> Component:
    try:
        with queue.opened() as opened:
            opened.ensure_connection(max_retries=1, timeout=ceil(queue.PATIENCE_S))
    except Exception:  # any error of a broker's library
        return Component("queue", False, "The queue does not answer; runs wait until it does.")
    return Component("queue", True, "The queue answers.")


def ages() -> dict[str, float]:
    """Return how many seconds ago each sign was given, by the database's clock."""
    rows = Sign.objects.values_list("name", "seen_at", Now())
    return {name: max(0.0, (now - seen).total_seconds()) for name, seen, now in rows}


def _clock() -> Component:
    age = ages().get(signs.CLOCK)
    well = age is not None and age <= settings.STILL_AFTER_S
    heard = "never" if age is None else f"{age:.0f} s ago"
    return Component("clock", well, f"The clock was heard {heard}." + ("" if well else " It stands still."))


def _workers(name: str) -> Component:
    """A worker at a run is heard by its lease; one that is free, by its sign."""
    component, (waiting, age, running) = f"workers of {name}", busy(name)
    waits = "" if not waiting else f" {waiting} runs wait, the oldest for {age:.0f} s."
    heard = ages().get(signs.queue_sign(name))
    if running or (heard is not None and heard <= settings.STILL_AFTER_S):
        return Component(component, True, f"{running} runs are at work.{waits}")
    said = "never heard of" if heard is None else f"last heard of {heard:.0f} s ago"
    return Component(component, False, f"Nobody works on this queue; {said}.{waits}")


def kinds_in(name: str) -> list[RunKind]:
    """Return the kinds of run that wait in a queue."""
    return [kind for kind in RUN_KINDS.values() if kind.queue == name]


def busy(name: str) -> tuple[int, float, int]:
    """Return how many runs of a queue wait to be taken, for how long (s) the oldest has, and how many are at work."""
    waiting, oldest, running = 0, 0.0, 0
    for kind in kinds_in(name):
        rows = _rows(kind)
        found = rows.filter(to_be_taken()).aggregate(n=Count("pk"), first=Min(_since(kind)), now=Max(Now()))
        waiting += found["n"]
        if found["first"]:
            oldest = max(oldest, (found["now"] - found["first"]).total_seconds())
        running += rows.filter(state=RunState.RUNNING, lease_until__gte=Now()).count()
    return waiting, oldest, running


def _rows(kind: RunKind) -> QuerySet[Any]:
    return kind.model._default_manager.order_by()


def _since(kind: RunKind) -> Any:
    """From when a run waits: since it was asked for; one to be tried again or left behind, since that was due."""
    asked = "updated_at" if any(field.name == "updated_at" for field in kind.model._meta.fields) else "created_at"
    return Coalesce(F("next_try_at"), F("lease_until"), F(asked))


def first_key(since: dt.timedelta) -> UUID:
    """Return the lowest key (UUIDv7) of rows made within this time."""
    ms = int((timezone.now() - since).timestamp() * 1000)
    return UUID(int=ms << 80)


def failed(kind: RunKind, since: dt.timedelta = FAILURES_OF) -> QuerySet[Any]:
    """Return the runs of a kind made within this time that failed."""
    return kind.model._default_manager.filter(pk__gte=first_key(since), state=RunState.FAILED)


@dataclass(frozen=True)
class Failure:
    """A run that failed, and the sentence that says why."""

    kind: str
    run: Job
    centre: str


def service(user: User) -> dict[str, Any]:
    """Return what an administrator sees: components, queues, failures in the own centres, room, the last good backup.

    Raises
    ------
    AccessDenied
        When the user administers no centre.
    """
    require_somewhere(user, Right.WATCH_SERVICE)
    centres = centres_for(user, Right.WATCH_SERVICE)
    failures = [
        Failure(kind.name, run, run.of_centre)
        for kind in RUN_KINDS.values()
        for run in failed(kind)
        .filter(**{f"{kind.centre}__in": centres})
        .annotate(of_centre=F(f"{kind.centre}__name"))
        .order_by("-pk")[:MOST_FAILURES]
    ]
    verified = Sign.objects.filter(name=signs.VERIFIED).first()
    return {
        "components": components(),
        "queues": [(name, *busy(name)) for name in settings.JOB_QUEUES],
        "failures": sorted(failures, key=lambda one: one.run.pk, reverse=True)[:MOST_FAILURES],
        "days": FAILURES_OF.days,
        "disks": list(disks()),
        "database_bytes": database_bytes(),
        "verified_at": verified.seen_at if verified else None,
    }


def database_bytes() -> int:
    """Return the size of the database."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT pg_database_size(current_database())")
        else:
            cursor.execute("SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()")
        return int(cursor.fetchone()[0])
