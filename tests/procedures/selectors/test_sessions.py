"""The list of sessions and the timeline of one."""

import datetime as dt

import pytest

from procedures.selectors.sessions import session_detail, session_list, timeline
from procedures.services.difficulties import note_difficulty
from procedures.services.sessions import log
from procedures.services.thresholds import put_threshold_test
from registry.models import Role
from tests.factories import (
    START,
    make_centre,
    make_epoch,
    make_measurement,
    make_patient,
    make_session,
    make_site,
    make_tributary,
    make_user,
    writer_of,
)

pytestmark = pytest.mark.django_db


def test_list_is_newest_first_and_counts_what_was_tested():
    centre = make_centre()
    patient = make_patient(centre)
    old = make_session(patient, started_at=START - dt.timedelta(days=3))
    new = make_session(patient, started_at=START)
    site = make_site(make_tributary(new), "A")
    make_site(site.tributary, "B", reached=False, not_reached_reason="stenosis")
    make_epoch(new)
    make_epoch(new, site, start_s=60)
    rows = list(session_list(writer_of(centre)))
    assert rows == [new, old]
    assert (rows[0].sites_tested, rows[0].sites_not_reached, rows[0].baselines) == (1, 1, 1)


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_list_is_empty_for_roles_that_do_not_see_sessions(role):
    session = make_session()
    assert not session_list(make_user(role, session.centre)).exists()


def test_another_centre_is_not_seen():
    make_session()
    assert not session_list(make_user(Role.PHYSICIAN)).exists()


def step_down(by, site, at):
    steps = [{"amplitude_v": 1.5, "captured": True}, {"amplitude_v": 1.0, "captured": False}]
    return put_threshold_test(by=by, site=site, pulse_width_ms=0.5, steps=steps, tested_at=at)


def test_timeline_is_in_order_whatever_the_kind():
    site = make_site()
    session = site.session
    by = writer_of(session.centre)
    make_epoch(session, site, start_s=120)
    make_measurement(site, measured_at=START + dt.timedelta(seconds=60))
    log(by=by, session=session, kind="access", occurred_at=START)
    note_difficulty(by=by, session=session, reason="tortuosity", noted_at=START + dt.timedelta(seconds=30))
    step_down(by, site, START + dt.timedelta(seconds=50))
    kinds = [moment.kind for moment in timeline(session_detail(by).get(pk=session.pk))]
    assert kinds == ["log", "difficulty", "threshold_test", "measurement", "epoch"]


def test_detail_of_twenty_epochs_costs_a_fixed_number_of_queries(django_assert_num_queries):
    site = make_site()
    by = writer_of(site.session.centre)

    def read(pk):
        session = session_detail(by).get(pk=pk)
        about = [(d.where, str(d.author)) for d in session.difficulties.all()]
        return [moment.record.pk for moment in timeline(session)], [str(e.site) for e in session.epochs.all()], about

    make_epoch(site.session, site)
    for n in range(20):
        make_epoch(site.session, site, start_s=100 * (n + 1))
        log(by=by, session=site.session, kind="note", text=str(n))
        step_down(by, make_site(site.tributary), START + dt.timedelta(seconds=n))
        note_difficulty(by=by, session=site.session, site=site, reason="instability", noted_at=START)
    with django_assert_num_queries(14):
        read(site.session.pk)
