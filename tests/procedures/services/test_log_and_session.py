"""Corrections of a log entry keep whose it is and when it was first logged; a session stays its patient's."""

import datetime as dt

import pytest

from procedures.models import Session
from procedures.services.sessions import log, put_session
from registry.models import Role
from tests import factories as make

pytestmark = pytest.mark.django_db
MINUTE = dt.timedelta(minutes=1)


def test_a_correction_keeps_the_author_and_the_time_first_logged():
    session = make.make_session()
    nurse, physician = (make.make_user(role, session.centre) for role in (Role.LAB_STAFF, Role.PHYSICIAN))
    entry = log(by=nurse, session=session, kind="note", text="Calm.", occurred_at=make.START)
    for minutes in (1, 2):
        entry = log(
            by=physician,
            session=session,
            kind="note",
            text=f"Calm, {minutes}.",
            occurred_at=make.START + minutes * MINUTE,
            key=entry.pk,
            version=entry.version,
        )
    assert entry.author == nurse
    assert (entry.occurred_at, entry.first_logged_at) == (make.START + 2 * MINUTE, make.START)


def test_a_session_is_not_described_as_another_patient_s():
    session = make.make_session()
    other = make.make_patient(session.centre)
    values = {"started_at": session.started_at, "procedure": session.procedure, "notes": "Written to the wrong one."}
    with pytest.raises(Session.DoesNotExist):
        put_session(by=make.writer_of(session.centre), key=session.pk, patient=other, version=session.version, **values)
    session.refresh_from_db()
    assert session.notes == ""
    assert session.patient != other
