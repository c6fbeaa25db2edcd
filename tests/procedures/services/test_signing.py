"""Signed sessions: locked, amended with a reason, the signed content kept."""

import pytest

from procedures.models import Site
from procedures.services.decisions import record_decision
from procedures.services.guard import SessionSigned
from procedures.services.sessions import describe_session, log, sign_session
from procedures.services.sites import put_site
from registry.errors import AccessDenied, RuleBroken
from registry.models import Role, new_key
from registry.trail.verify import faults
from tests.factories import START, end_session, make_session, make_site, make_user, writer_of
from tests.procedures.comparing import KEY, typed_session

pytestmark = pytest.mark.django_db


@pytest.fixture
def signed():
    site = make_site(label="PL mid")
    by = writer_of(site.session.centre)
    end_session(site.session)
    return sign_session(by=by, session=site.session), site, by


def test_signing_needs_an_outcome():
    session = make_session()
    with pytest.raises(RuleBroken, match="outcome of the session"):
        sign_session(by=writer_of(session.centre), session=session)


def test_lab_staff_does_not_sign():
    session = end_session(make_session())
    with pytest.raises(AccessDenied, match="Only a physician can sign"):
        sign_session(by=make_user(Role.LAB_STAFF, session.centre), session=session)


def test_signed_twice_refused(signed):
    session, _, by = signed
    with pytest.raises(RuleBroken, match="already signed"):
        sign_session(by=by, session=session)


def test_change_after_signing_without_reason_refused(signed):
    session, site, by = signed
    for act in (
        lambda: put_site(by=by, session=session, tributary=site.tributary, label="X"),
        lambda: log(by=by, session=session, kind="note", text="late"),
        lambda: describe_session(by=by, session=session, contrast_ml=30.0),
        lambda: record_decision(by=by, session=session, site=site, reason="best"),
    ):
        with pytest.raises(SessionSigned):
            act()
    assert not session.amendments.exists()


def test_amendment_keeps_the_signed_content(signed):
    session, site, by = signed
    put_site(
        by=by, session=session, tributary=site.tributary, label="PL basal", key=site.pk, version=site.version,
        reason="mislabelled",
    )  # fmt: skip
    session.refresh_from_db()
    assert Site.objects.get(pk=site.pk).label == "PL basal"
    assert [s["label"] for s in session.signed_content["sites"]] == ["PL mid"]
    assert session.amendments.get().reason == "mislabelled"
    assert list(faults()) == []


def test_amendment_with_blank_reason_refused(signed):
    session, _, by = signed
    with pytest.raises(SessionSigned):
        log(by=by, session=session, kind="note", reason="   ")


def test_entry_sent_again_after_signing_is_a_replay(signed):
    session, _, by = signed
    key = new_key()
    session.status, session.signed_at, session.signed_by = "open", None, None
    session.save()
    entry = log(by=by, session=session, kind="note", text="late", key=key, occurred_at=START)
    sign_session(by=by, session=session)
    again = log(by=by, session=session, kind="note", text="late", key=key, occurred_at=START)
    assert (again.pk, again.version) == (entry.pk, 1)
    assert not session.amendments.exists()
    with pytest.raises(SessionSigned):
        log(by=by, session=session, kind="note", text="other", key=key, occurred_at=START, version=1)
    entry.refresh_from_db()
    assert entry.text == "late"


def test_decision_sent_again_after_the_ranking_changed_is_a_replay():
    session = typed_session({"A": 10.0, "B": 4.0})
    by, key = writer_of(session.centre), new_key()
    arguments = {"by": by, "session": session, "site": session.sites.get(label="A"), "reason": "best", "metric": KEY}
    first = record_decision(key=key, decided_at=START, **arguments)
    assert first.was_leading is True
    session.responses.all().delete()
    again = record_decision(key=key, decided_at=START, **arguments)
    assert (again.version, again.was_leading) == (1, True)
