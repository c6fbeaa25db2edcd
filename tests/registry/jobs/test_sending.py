"""What waits is sent, and sent again; a queue that is down fails nobody's request."""

from __future__ import annotations

import datetime as dt
import time
from contextlib import contextmanager

import pytest
from django.conf import settings as project
from django.db import transaction
from django.utils import timezone

from procedures.models import AnalysisRun
from registry import jobs
from registry.jobs import beside, claims, queue, sending
from registry.models import RunState
from tests.registry.jobs.runs import NAME, kind, left_behind, make_run, stored, work_is

pytestmark = pytest.mark.django_db


class Queue:
    """A queue in memory: what was put, and how many messages lie in it."""

    def __init__(self):
        self.put, self.lying = [], 0


@pytest.fixture
def posted(monkeypatch, settings):
    settings.JOBS_BY = "queue"
    kept = Queue()

    @contextmanager
    def opened():
        yield None

    monkeypatch.setattr(queue, "opened", opened)
    monkeypatch.setattr(queue, "put", lambda _, name, of, key: kept.put.append((name, of, key)))
    monkeypatch.setattr(queue, "depth", lambda *_: kept.lying)
    return kept


def ago(seconds):
    return timezone.now() - dt.timedelta(seconds=seconds)


def test_sent_after_the_commit_and_not_before(posted, django_capture_on_commit_callbacks):
    run = make_run()
    with django_capture_on_commit_callbacks(execute=True):
        jobs.send_later(run)
        assert posted.put == []
    assert posted.put == [("analyses", NAME, run.pk)]
    assert stored(run).sent_at


def test_what_is_not_picked_up_is_sent_again(posted):
    never, lost, just = make_run(), make_run(sent_at=ago(10)), make_run(sent_at=ago(3))
    assert jobs.sweep() == 2
    assert {key for *_, key in posted.put} == {never.pk, lost.pk}
    assert jobs.sweep() == 0, "it has just been sent"
    assert stored(just).sent_at < ago(2)
    # The clock's interval and the time a message may take stay within the fifteen seconds together.
    assert sending.LATE.total_seconds() + project.SWEEP_EVERY_S < 15


def test_what_a_lost_worker_left_and_what_is_due_is_sent_and_nothing_else(posted):
    left, due = make_run(**left_behind(sent_at=ago(60))), make_run(next_try_at=ago(1), sent_at=None)
    make_run(**left_behind(lease_until=timezone.now() + dt.timedelta(seconds=20), sent_at=ago(60)))
    make_run(next_try_at=timezone.now() + dt.timedelta(seconds=20))
    for state in (RunState.DONE, RunState.FAILED, RunState.CANCELLED):
        make_run(state=state)
    assert jobs.sweep() == 2
    assert {key for *_, key in posted.put} == {left.pk, due.pk}


def test_a_queue_gets_no_more_messages_than_runs_wait(posted):
    for _ in range(5):
        make_run(sent_at=ago(60))
    posted.lying = 5
    assert jobs.sweep() == 0
    posted.lying = 3
    assert jobs.sweep() == 2


def test_a_waiting_run_is_sent_again_by_who_asks_for_it(posted, django_capture_on_commit_callbacks):
    run = make_run(sent_at=ago(3), next_try_at=timezone.now() + dt.timedelta(minutes=5), failure="before", attempts=2)
    with django_capture_on_commit_callbacks(execute=True):
        jobs.send_again(run)
    assert [key for *_, key in posted.put] == [run.pk]
    assert (stored(run).next_try_at, stored(run).failure, stored(run).attempts) == (None, "", 0)


def test_queue_that_is_down_fails_nothing_and_what_waits_is_sent_later(
    queue_down, caplog, django_capture_on_commit_callbacks
):
    run = make_run()
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        jobs.send_later(run)
    assert jobs.sweep() == 0
    assert (stored(run).state, stored(run).sent_at) == (RunState.QUEUED, None)
    assert "The queue does not answer" in caplog.text


@pytest.mark.django_db(transaction=True)
def test_without_a_queue_a_thread_of_the_web_process_works(settings, monkeypatch):
    settings.JOBS_BY = "threads"
    settings.SWEEP_EVERY_S = 0.1
    monkeypatch.setattr(beside, "_nudged", {})
    first, forgotten = make_run(), make_run(**left_behind())
    names = []

    def work(claim):
        import threading

        names.append(threading.current_thread().name)

    with work_is(work):
        beside.start()
        beside.start()
        jobs.send_later(first)
        deadline = time.monotonic() + 60
        while AnalysisRun.objects.exclude(state=RunState.DONE).exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        beside.stop()
    assert {stored(first).state, stored(forgotten).state} == {RunState.DONE}
    assert names == ["runs-analyses"] * 2


def test_every_kind_can_be_loaded_and_has_a_queue_that_is_served():
    for one in jobs.RUN_KINDS.values():
        assert callable(one.load())
        assert one.queue in project.JOB_QUEUES
    assert kind().model is AnalysisRun


def test_the_run_of_a_lost_worker_waits_less_than_a_minute():
    # The lease, and then as long as a message that was lost.
    longest = claims.LEASE.total_seconds() + sending.LATE.total_seconds() + project.SWEEP_EVERY_S
    assert longest < 60
    # Two signs of life may be lost before anybody takes a run over.
    assert claims.LEASE.total_seconds() > 3 * claims.BEAT_S
