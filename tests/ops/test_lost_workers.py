"""Real workers that are killed, or stand still for a while: their runs are taken over, and written once.

What only waits for a lease waits together.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
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
    """Start a worker of four processes and the clock."""
    env = environment(DATABASE_URL=database_url(), CELERY_BROKER_URL=queue_url, TRIBUTARY_TEST_FOLDER=str(tmp_path))
    words = [*APP, "worker", "--concurrency", "4", "--loglevel", "INFO"]
    clock = [*APP, "beat", "--schedule", str(tmp_path / "schedule"), "--loglevel", "INFO"]
    with (
        running(words, env, tmp_path / "worker.log", lambda one: " ready." in one.said()) as worker,
        running(clock, env, tmp_path / "beat.log", lambda one: "beat: Starting" in one.said()),
    ):
        yield worker


def those_who(did: str, run: AnalysisRun, folder: Path) -> set[int]:
    """Return the processes that say they did this to the run."""
    return {int(path.name.partition("-")[2]) for path in (folder / str(run.pk)).glob(f"{did}-*")}


def test_runs_of_killed_and_stopped_processes_are_done_by_others_and_long_work_is_left_alone(
    service: Running, tmp_path: Path
) -> None:
    """Three runs are at work: one's process is killed, one's stands still, and one's works on in silence."""

    def wait(what: str, condition: Callable[[], bool]) -> None:
        wait_for(lambda: condition() or not service.alive(), what)
        assert service.alive(), service.said()

    def first_of(run: AnalysisRun) -> int:
        wait("the first try", lambda: bool(those_who("started", run, tmp_path)))
        (first,) = those_who("started", run, tmp_path)
        return first

    lost, stopped, long = runs = [make_run() for _ in range(3)]  # nobody sends them: the clock finds them
    killed, standing, working = (first_of(run) for run in runs)
    taken = stored(long)
    os.kill(killed, signal.SIGKILL)
    os.kill(standing, signal.SIGSTOP)
    try:
        for run in (lost, stopped):
            wait("the second try", lambda run=run: len(those_who("started", run, tmp_path)) > 1)
        wait("signs of life for longer than the lease", lambda: stored(long).lease_until > taken.lease_until + LATE)
        # Another process writes now; the one that stood still has yet to hear of anything.
        for run in runs:
            (tmp_path / str(run.pk) / "go").touch()
        for run in runs:
            wait("the end", lambda run=run: stored(run).state == RunState.DONE)
    finally:
        os.kill(standing, signal.SIGCONT)
    wait("the end of the one that stood still", lambda: standing in those_who("refused", stopped, tmp_path))

    for run, first in ((lost, killed), (stopped, standing)):
        (writer,) = those_who("wrote", run, tmp_path)
        assert writer != first
        assert stored(run).algorithm_version == str(writer), service.said()
        assert stored(run).attempts >= 2
    assert those_who("started", long, tmp_path) == those_who("wrote", long, tmp_path) == {working}, service.said()
    assert stored(long).attempts == 1


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
