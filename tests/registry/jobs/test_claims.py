"""A run belongs to one at a time: claims, leases, the end that only the owner writes, and further attempts."""

from __future__ import annotations

import itertools
import threading
import time

import pytest
from django.db import connection

from procedures.models import AnalysisRun
from registry import jobs
from registry.jobs import claims
from registry.jobs.claims import MAX_ATTEMPTS, NotOurs, give_up, take, wait_s
from registry.models import RunState
from tests.registry.jobs.runs import LONG_AGO, NAME, left_behind, make_run, stored, work_is

pytestmark = pytest.mark.django_db


def at_once(*calls):
    """Call all at the same moment, each in a thread with a connection of its own; return what they gave."""
    gate, given = threading.Barrier(len(calls)), []

    def go(call):
        try:
            gate.wait()
            given.append(call())
        finally:
            connection.close()

    threads = [threading.Thread(target=go, args=(call,)) for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(given) == len(calls)
    return given


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("begin", [{}, left_behind()], ids=["waiting", "left behind"])
def test_of_many_who_claim_at_the_same_moment_one_gets_it(begin):
    for _ in range(5):
        run = make_run(**begin)
        got = [claim for claim in at_once(*[lambda run=run: take(AnalysisRun, run.pk)] * 6) if claim]
        assert len(got) == 1
        now = stored(run)
        assert (now.state, now.token) == (RunState.RUNNING, got[0].token)
        assert now.attempts == run.attempts + 1


@pytest.mark.django_db(transaction=True)
def test_two_who_both_think_they_own_it_write_once():
    """The first was silent until its lease ran out, a second took over, and then both come to their end together."""
    run = make_run()
    first = take(AnalysisRun, run.pk)
    AnalysisRun.objects.update(lease_until=LONG_AGO)
    second = take(AnalysisRun, run.pk)
    wrote = []

    def write(claim):
        try:
            with claim.writing() as row:
                time.sleep(0.05)
                row.algorithm_version = str(claim.token)
        except NotOurs:
            return
        wrote.append(claim.token)

    at_once(lambda: write(first), lambda: write(second))
    assert wrote == [second.token]
    assert stored(run).algorithm_version == str(second.token)


@pytest.mark.django_db(transaction=True)
def test_nobody_takes_over_while_the_owner_writes():
    """The lease runs out in the middle of the owner's transaction: who claims waits for it, and finds the run done."""
    run = make_run()
    owner = take(AnalysisRun, run.pk)
    writing, claimed = threading.Event(), []

    def claim():
        try:
            writing.wait()
            claimed.append(take(AnalysisRun, run.pk))
        finally:
            connection.close()

    thread = threading.Thread(target=claim)
    thread.start()
    AnalysisRun.objects.update(lease_until=LONG_AGO)
    with owner.writing():
        writing.set()
        time.sleep(0.2)
    thread.join()
    assert claimed == [None]
    assert (stored(run).state, stored(run).attempts) == (RunState.DONE, 1)


@pytest.mark.parametrize("state", [RunState.DONE, RunState.FAILED, RunState.CANCELLED])
def test_what_has_ended_is_not_claimed(state):
    assert take(AnalysisRun, make_run(state=state).pk) is None


def test_what_is_held_or_not_due_is_not_claimed():
    run = make_run()
    assert take(AnalysisRun, run.pk)
    assert take(AnalysisRun, run.pk) is None
    later = make_run(next_try_at=stored(run).lease_until)
    assert take(AnalysisRun, later.pk) is None


@pytest.mark.django_db(transaction=True)
def test_a_long_silent_work_keeps_its_lease(monkeypatch):
    monkeypatch.setattr(claims, "BEAT_S", 0.05)
    run, taken = make_run(), []

    def silent(claim):
        # As if the lease were about to run out: only the heartbeat can put that right.
        AnalysisRun.objects.update(lease_until=LONG_AGO)
        deadline = time.monotonic() + 60
        while stored(run).lease_until == LONG_AGO and time.monotonic() < deadline:
            time.sleep(0.02)
        taken.append(take(AnalysisRun, run.pk))

    with work_is(silent):
        jobs.carry_out(NAME, run.pk)
    assert taken == [None]
    assert stored(run).state == RunState.DONE
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("heartbeat")]


def test_cancelled_work_hears_of_it_and_writes_nothing():
    run = make_run()

    def cancelled(claim):
        jobs.cancel(AnalysisRun.objects.filter(pk=run.pk))
        with pytest.raises(NotOurs):
            claim.tell("Reading", 0.5)
        with claim.writing() as row:
            row.algorithm_version = "written"

    with work_is(cancelled):
        jobs.carry_out(NAME, run.pk)
    assert (stored(run).state, stored(run).algorithm_version) == (RunState.CANCELLED, "")


def fails_with(error):
    def work(claim):
        raise error

    return work


def test_a_fault_is_tried_again_after_waits_that_grow_then_kept(caplog):
    run, waits = make_run(), []
    with work_is(fails_with(ZeroDivisionError())):
        for attempt in range(1, MAX_ATTEMPTS + 1):
            assert jobs.carry_out(NAME, run.pk)
            now = stored(run)
            assert now.attempts == attempt
            assert now.failure == "The analysis stopped because of a program error. The recording is unchanged."
            if attempt < MAX_ATTEMPTS:
                assert (now.state, now.token) == (RunState.QUEUED, None)
                assert not jobs.carry_out(NAME, run.pk), "it is not due yet"
                waits.append((now.next_try_at - now.started_at).total_seconds())
                AnalysisRun.objects.update(next_try_at=LONG_AGO)
    assert (now.state, now.next_try_at) == (RunState.FAILED, None)
    assert all(later > 1.5 * earlier for earlier, later in itertools.pairwise(waits))
    assert "ZeroDivisionError" in caplog.text


def test_waits_are_threefold_and_spread():
    for attempts, middle in ((1, 10), (2, 30), (3, 90)):
        waits = {wait_s(attempts) for _ in range(200)}
        assert len(waits) > 100
        assert all(0.75 * middle <= wait <= 1.25 * middle for wait in waits)


def test_a_refusal_is_kept_at_once_and_another_try_says_why():
    run, other = make_run(), make_run()
    with work_is(fails_with(jobs.Refused("There is no pressure channel."))):
        jobs.carry_out(NAME, run.pk)
    assert (stored(run).state, stored(run).failure) == (RunState.FAILED, "There is no pressure channel.")
    with work_is(fails_with(jobs.TryAgain("The store does not answer."))):
        jobs.carry_out(NAME, other.pk)
    assert (stored(other).state, stored(other).failure) == (RunState.QUEUED, "The store does not answer.")


def test_waiting_for_what_is_still_being_made_is_no_attempt():
    run = make_run()
    for _ in range(MAX_ATTEMPTS + 1):
        with work_is(fails_with(jobs.NotYet("The recording is being prepared."))):
            assert jobs.carry_out(NAME, run.pk)
        now = stored(run)
        assert (now.state, now.attempts, now.failure) == (RunState.QUEUED, 0, "")
        assert now.step == "The recording is being prepared."
        assert not jobs.carry_out(NAME, run.pk), "it is not due yet"
        AnalysisRun.objects.update(next_try_at=LONG_AGO)


def test_what_loses_its_worker_each_time_is_given_up():
    run, earlier = make_run(**left_behind(attempts=MAX_ATTEMPTS)), make_run(**left_behind(attempts=MAX_ATTEMPTS - 1))
    assert take(AnalysisRun, run.pk) is None
    assert give_up(AnalysisRun) == 1
    assert (stored(run).state, stored(earlier).state) == (RunState.FAILED, RunState.RUNNING)
    assert "its process ended each time" in stored(run).failure
