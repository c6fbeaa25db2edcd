"""Real workers that are killed, or stand still for a while: their runs are taken over, and written once."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from procedures.models import AnalysisRun
from registry.jobs.sending import LATE
from registry.models import RunState
from registry.selectors import service as watched
from tests.ops.processes import Running, environment, on_postgresql_only, running, wait_for
from tests.ops.test_worker import database_url
from tests.registry.jobs.runs import make_run, stored

pytestmark = [
    pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
    pytest.mark.xdist_group("workers"),  # mostly waiting: not side by side, and not last
    on_postgresql_only,
]

APP = [sys.executable, "-m", "celery", "--app", "tests.ops.slow_worker"]


@pytest.fixture
def service(transactional_db: None, queue_url: str, tmp_path: Path) -> Iterator[Running]:
    """Start a worker of two processes and the clock."""
    env = environment(DATABASE_URL=database_url(), CELERY_BROKER_URL=queue_url, TRIBUTARY_TEST_FOLDER=str(tmp_path))
    words = [*APP, "worker", "--concurrency", "3", "--loglevel", "INFO"]
    clock = [*APP, "beat", "--schedule", str(tmp_path / "schedule"), "--loglevel", "INFO"]
    with (
        running(words, env, tmp_path / "worker.log", lambda one: " ready." in one.said()) as worker,
        running(clock, env, tmp_path / "beat.log", lambda one: "beat: Starting" in one.said()),
    ):
        yield worker


def those_who(did: str, run: AnalysisRun, folder: Path) -> set[int]:
    """Return the processes that say they did this to the run."""
    return {int(path.name.partition("-")[2]) for path in (folder / str(run.pk)).glob(f"{did}-*")}


def test_run_of_a_killed_worker_is_done_by_another(service: Running, tmp_path: Path) -> None:
    run = make_run()  # nobody sends it: the clock finds it
    wait_for(lambda: bool(those_who("started", run, tmp_path)) or not service.alive(), "the first try")
    (first,) = those_who("started", run, tmp_path)
    os.kill(first, signal.SIGKILL)
    wait_for(lambda: len(those_who("started", run, tmp_path)) > 1 or not service.alive(), "the second try")
    (tmp_path / str(run.pk) / "go").touch()
    wait_for(lambda: stored(run).state == RunState.DONE or not service.alive(), "the end")
    (writer,) = those_who("wrote", run, tmp_path)
    assert writer != first
    assert stored(run).algorithm_version == str(writer), service.said()
    assert stored(run).attempts >= 2


def test_worker_that_stood_still_and_comes_back_writes_nothing(service: Running, tmp_path: Path) -> None:
    run = make_run()
    wait_for(lambda: bool(those_who("started", run, tmp_path)) or not service.alive(), "the first try")
    (first,) = those_who("started", run, tmp_path)
    os.kill(first, signal.SIGSTOP)
    try:
        wait_for(lambda: len(those_who("started", run, tmp_path)) > 1 or not service.alive(), "the second try")
        # Whoever is at it writes now; the one that stood still has yet to hear of anything.
        (tmp_path / str(run.pk) / "go").touch()
        wait_for(lambda: stored(run).state == RunState.DONE or not service.alive(), "the end")
    finally:
        os.kill(first, signal.SIGCONT)
    wait_for(lambda: first in those_who("refused", run, tmp_path) or not service.alive(), "the first one's end")
    (writer,) = those_who("wrote", run, tmp_path)
    assert writer != first
    assert stored(run).algorithm_version == str(writer), service.said()


def test_workers_and_clock_that_stand_still_are_seen_and_heard_again(service: Running, settings: Any) -> None:
    settings.JOBS_BY, settings.STILL_AFTER_S = "queue", 5
    those = {"clock", *(f"workers of {name}" for name in settings.JOB_QUEUES)}

    def still() -> set[str]:
        return {part.name for part in watched.components() if not part.well} & those

    wait_for(lambda: still() == set() or not service.alive(), "a sign of everybody")
    os.killpg(service.process.pid, signal.SIGSTOP)
    try:
        wait_for(lambda: still() == those, "the standstill is seen")
    finally:
        os.killpg(service.process.pid, signal.SIGCONT)
    wait_for(lambda: still() == set() or not service.alive(), "a sign of everybody again")
    assert service.alive(), service.said()


def test_long_silent_work_is_not_taken_over(service: Running, tmp_path: Path) -> None:
    run = make_run()
    wait_for(lambda: bool(those_who("started", run, tmp_path)) or not service.alive(), "the first try")
    taken = stored(run)
    wait_for(lambda: stored(run).lease_until > taken.lease_until + LATE, "signs of life for longer than the lease")
    (tmp_path / str(run.pk) / "go").touch()
    wait_for(lambda: stored(run).state == RunState.DONE or not service.alive(), "the end")
    assert len(those_who("started", run, tmp_path)) == 1, service.said()
    assert stored(run).attempts == 1
