"""The embedded edition without a queue: one thread a queue in the web process, beside the requests.

The threads look into the tables themselves, when nudged and every few seconds, so nothing can be lost between.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable
from uuid import UUID

from django.conf import settings
from django.db import close_old_connections, connection

from registry.jobs import signs
from registry.jobs.carrying import carry_out
from registry.jobs.claims import give_up
from registry.jobs.run_kinds import RUN_KINDS, RunKind
from registry.models import to_be_taken

_log = logging.getLogger(__name__)
_nudged: dict[str, threading.Event] = {}
_starting, _ending = threading.Lock(), threading.Event()
_threads: list[threading.Thread] = []


def start() -> None:
    """Start the threads of this process, once; nothing happens where a queue carries the runs."""
    if settings.JOBS_BY != "threads":
        return
    with _starting:
        for name in settings.JOB_QUEUES:
            if name not in _nudged:
                _nudged[name] = threading.Event()
                thread = threading.Thread(target=_serve, args=(name,), name=f"runs-{name}", daemon=True)
                _threads.append(thread)
                thread.start()


def stop() -> None:
    """End the threads when each has done the run it is at."""
    _ending.set()
    for name in _nudged:
        nudge(name)
    while _threads:
        _threads.pop().join()
    _nudged.clear()
    _ending.clear()


def running() -> bool:
    """Whether this process has such threads."""
    return bool(_nudged)


def nudge(name: str) -> None:
    """Say that a run waits in a queue."""
    _nudged[name].set()


def _serve(name: str) -> None:
    nudged = _nudged[name]
    while not _ending.is_set():
        nudged.wait(settings.SWEEP_EVERY_S)
        nudged.clear()
        try:
            signs.give(signs.queue_sign(name))
            work_off(name)
        except Exception:  # the database may be away for a while; the thread must outlive it
            _log.exception("Background runs of %s could not be carried out", name)
            time.sleep(1)
        finally:
            connection.close()


def _oldest(kind: RunKind) -> Iterable[UUID]:
    return kind.model._default_manager.filter(to_be_taken()).order_by("pk").values_list("pk", flat=True)[:20]


def work_off(name: str) -> int:
    """Carry out every run that waits in a queue, the oldest first; return how many."""
    count = 0
    kinds = [kind for kind in RUN_KINDS.values() if kind.queue == name]
    for kind in kinds:
        give_up(kind.model)
    while True:
        close_old_connections()
        done = sum(carry_out(kind.name, key) for kind in kinds for key in _oldest(kind))
        count += done
        if not done or _ending.is_set():
            return count
