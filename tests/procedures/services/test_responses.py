"""Acute responses follow the epochs, whatever shape a session has."""

import itertools

import pytest
from django.db import connection, transaction

from procedures.models import AcuteResponse, ComparisonRun, ResponseSummary
from procedures.selectors.comparison import compare_session
from procedures.services import responses
from procedures.services.decisions import record_decision
from procedures.services.responses import refresh_responses
from procedures.services.sessions import sign_session
from registry.errors import AccessDenied, RuleBroken
from registry.jobs.carrying import carry_out
from registry.models import Role, RunState
from tests.factories import (
    end_session,
    enter,
    make_epoch,
    make_session,
    make_site,
    make_tributary,
    make_user,
    writer_of,
)

pytestmark = pytest.mark.django_db
KEY = "dpdt_max_mmhg_per_s"


def typed_session(visits, callbacks):
    """Type epochs of 30 s, one a minute: ``visits`` is a list of (label or None, value)."""
    session = make_session()
    tributary = make_tributary(session)
    sites = {label: make_site(tributary, label) for label in dict.fromkeys(v[0] for v in visits) if label}
    with callbacks(execute=True):
        for minute, (label, value) in enumerate(visits):
            enter(make_epoch(session, sites.get(label), start_s=60 * minute), KEY, value)
    return session, sites


def test_drifting_baseline_keeps_paired_and_first_baseline_apart(django_capture_on_commit_callbacks):
    # By hand: base 800, site 880, base 820 -> +8.64 % against the neighbours, +10 % against the first.
    session, sites = typed_session([(None, 800), ("A", 880), (None, 820)], django_capture_on_commit_callbacks)
    response = session.responses.get(metric=KEY)
    assert response.site == sites["A"]
    assert response.paired_change_percent == pytest.approx(100 * (880 / 810 - 1), abs=0.005)
    assert response.low_percent < response.change_percent < response.high_percent


def test_no_baseline_is_a_clear_refusal_not_an_error(django_capture_on_commit_callbacks):
    session, _ = typed_session([("A", 880), ("B", 900)], django_capture_on_commit_callbacks)
    assert not session.responses.exists()
    comparison = compare_session(session)
    assert comparison.summary.refusal
    assert comparison.leader is None
    assert comparison.baselines == 0


def test_excluded_epoch_does_not_count(django_capture_on_commit_callbacks):
    session, _ = typed_session([(None, 800), ("A", 880), (None, 820), ("A", 1600)], django_capture_on_commit_callbacks)
    before = session.responses.get(metric=KEY).change_percent
    last = session.epochs.order_by("started_at").last()
    last.excluded_reason = "catheter moved"
    last.save()
    refresh_responses(session.pk)
    after = session.responses.get(metric=KEY)
    assert after.change_percent < before - 10
    assert after.epochs == 1


def test_refresh_replaces_rather_than_adds(django_capture_on_commit_callbacks):
    session, _ = typed_session([(None, 800), ("A", 880), (None, 820)], django_capture_on_commit_callbacks)
    refresh_responses(session.pk)
    refresh_responses(session.pk)
    assert AcuteResponse.objects.filter(session=session).count() == 1
    assert ResponseSummary.objects.filter(session=session).count() == 1


def test_one_transaction_refreshes_a_session_once(django_capture_on_commit_callbacks):
    session = make_session()
    with django_capture_on_commit_callbacks() as callbacks:
        epoch = make_epoch(session)
        enter(epoch, KEY, 900)
        enter(epoch, "sv_ml", 60)
    assert len(callbacks) == 1


def test_comparison_costs_the_same_queries_for_few_and_many_sites(
    django_capture_on_commit_callbacks, django_assert_num_queries
):
    few, _ = typed_session([(None, 800), ("A", 880), (None, 820)], django_capture_on_commit_callbacks)
    many, _ = typed_session(
        [(None, 800), *((name, 850.0) for name in "ABCDEFGHIJKL"), (None, 820)], django_capture_on_commit_callbacks
    )
    counter = _Counter()
    with connection.execute_wrapper(counter):
        compare_session(few)
    with django_assert_num_queries(counter.calls):
        assert len(compare_session(many).rows) == 12


def test_a_request_only_asks_for_the_comparison_and_a_worker_makes_it(queue_down, django_capture_on_commit_callbacks):
    session, _ = typed_session([(None, 800), ("A", 880), (None, 820)], django_capture_on_commit_callbacks)
    run = session.comparing
    assert run.state == RunState.QUEUED
    assert not session.responses.exists()
    carry_out("responses", run.pk)
    run.refresh_from_db()
    assert run.state == RunState.DONE
    assert session.responses.filter(metric=KEY).count() == 1


@pytest.mark.django_db(transaction=True)
def test_an_entry_after_the_comparison_asks_for_it_again(queue_down):
    session, sites = typed_session([(None, 800), ("A", 880), (None, 820)], lambda execute: transaction.atomic())
    carry_out("responses", session.comparing.pk)
    assert ComparisonRun.objects.get().state == RunState.DONE
    enter(make_epoch(session, sites["A"], start_s=600), KEY, 1600)
    run = ComparisonRun.objects.get()
    assert run.state == RunState.QUEUED
    carry_out("responses", run.pk)
    assert session.responses.get(metric=KEY).epochs == 2


def test_entries_without_a_pause_put_the_comparison_off_rather_than_lock_it(
    queue_down, django_capture_on_commit_callbacks, monkeypatch
):
    session, _ = typed_session([(None, 800), ("A", 880), (None, 820)], django_capture_on_commit_callbacks)
    compared, states = responses._compared, itertools.count()
    tried = []
    monkeypatch.setattr(responses, "_basis", lambda session: [next(states)])
    monkeypatch.setattr(responses, "_compared", lambda session: tried.append(session) or compared(session))

    carry_out("responses", session.comparing.pk)

    run = ComparisonRun.objects.get()
    assert (run.state, run.attempts, run.failure) == (RunState.QUEUED, 0, "")
    assert run.step == "Waiting for a pause between entries"
    assert len(tried) == responses.ATTEMPTS
    assert not session.responses.exists()
    with pytest.raises(RuleBroken, match="Epochs are still being entered"):
        sign_session(by=writer_of(session.centre), session=end_session(session))


def test_a_signature_waits_for_the_comparison(queue_down, django_capture_on_commit_callbacks):
    session, _ = typed_session([(None, 800), ("A", 880), (None, 820)], django_capture_on_commit_callbacks)
    sign_session(by=writer_of(session.centre), session=end_session(session))
    assert session.responses.filter(metric=KEY).count() == 1


class _Counter:
    def __init__(self):
        self.calls = 0

    def __call__(self, execute, *arguments):
        self.calls += 1
        return execute(*arguments)


def test_decision_remembers_whether_the_site_led(django_capture_on_commit_callbacks):
    session, sites = typed_session(
        [(None, 800), ("A", 880), (None, 800), ("B", 960), (None, 800)], django_capture_on_commit_callbacks
    )
    by = writer_of(session.centre)
    assert record_decision(by=by, session=session, site=sites["B"], reason="best", metric=KEY).was_leading is True
    assert record_decision(by=by, session=session, site=sites["A"], reason="stable", metric=KEY).was_leading is False
    assert record_decision(by=by, session=session, site=sites["A"], reason="by ECG").was_leading is None
    assert compare_session(session).decision.reason == "by ECG"


def test_decision_without_reason_or_at_unreached_site_refused():
    site = make_site(reached=False, not_reached_reason="stenosis")
    by = writer_of(site.session.centre)
    with pytest.raises(RuleBroken, match="not reached"):
        record_decision(by=by, session=site.session, site=site, reason="x")
    with pytest.raises(RuleBroken) as caught:
        record_decision(by=by, session=site.session, site=None, reason="  ")
    assert "reason" in caught.value.fields


def test_lab_staff_does_not_decide():
    session = make_session()
    with pytest.raises(AccessDenied, match="Only a physician"):
        record_decision(by=make_user(Role.LAB_STAFF, session.centre), session=session, site=None, reason="x")
