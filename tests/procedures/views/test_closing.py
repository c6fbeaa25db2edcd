"""The decision and the signature."""

import pytest
from django.urls import reverse

from procedures.models import Decision, Session, Status
from registry.models import Role
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of

SIGNING = {"checked": "on", "password": make.PASSWORD}


def url_of(name, session):
    return reverse(f"procedures:{name}", args=[session.pk])


@pytest.fixture
def physician(centre):
    return make.make_user(Role.PHYSICIAN, centre, password=make.PASSWORD)


@pytest.fixture
def site(session):
    return make.make_site(make.make_tributary(session), "PL mid")


def test_decision_is_recorded_once(doctor, session, site, physician):
    url = url_of("decision", session)
    data = fill(doctor.get(url), site=str(site.pk), metric="sv_ml", reason="Best with a safe threshold")
    assert doctor.post(url, data).status_code == 302
    doctor.post(url, data)
    decision = Decision.objects.get()
    assert (decision.site, decision.metric, decision.decided_by) == (site, "sv_ml", physician)


def test_decision_for_no_site_is_normal(doctor, session):
    url = url_of("decision", session)
    doctor.post(url, fill(doctor.get(url), site="none", reason="No stable position"))
    assert Decision.objects.get().site is None


def test_later_decision_stands_and_the_earlier_is_kept(doctor, session, site):
    url = url_of("decision", session)
    for reason in ("first", "second"):
        doctor.post(url, fill(doctor.get(url), site=str(site.pk), reason=reason))
    assert Decision.objects.count() == 2
    assert "second" in doctor.get(url_of("session", session)).content.decode()
    assert "first" in doctor.get(url).content.decode()


@pytest.mark.parametrize(
    ("typed", "message"), [({"reason": None}, "Enter the reason."), ({"site": None}, "Site chosen: choose one.")]
)
def test_decision_says_what_is_missing(doctor, session, site, typed, message):
    url = url_of("decision", session)
    answer = doctor.post(url, fill(doctor.get(url), **({"site": str(site.pk), "reason": "x"} | typed)))
    assert answer.status_code == 422
    assert message in messages_of(answer)


def test_page_of_the_decision_carries_the_caution(doctor, session):
    assert "does not replace the judgement" in " ".join(
        doctor.get(url_of("decision", session)).content.decode().split()
    )


@pytest.mark.parametrize("name", ["decision", "sign"])
def test_lab_staff_neither_decides_nor_signs(nurse, session, name):
    assert nurse.get(url_of(name, session)).status_code == 403
    assert nurse.post(url_of(name, session), {"checked": "on"}).status_code == 403
    session.refresh_from_db()
    assert session.status == Status.OPEN


def test_signing_lists_what_is_missing_first(doctor, session, site):
    answers = doctor.get(url_of("sign", session)).context["answers"]
    assert answers[0].blocks
    assert answers[0].question == "Outcome"
    missing = [answer.missing for answer in answers]
    assert missing == sorted(missing, reverse=True)
    assert "capture threshold not measured" in [answer.said for answer in answers]


def test_signing_needs_the_outcome(doctor, session):
    answer = doctor.post(url_of("sign", session), SIGNING)
    assert answer.status_code == 422
    assert "Choose the outcome of the session." in messages_of(answer)


def test_the_check_before_signing_says_when_the_session_ended(doctor, session):
    assert '<td><span class="missing">not recorded</span></td>' in doctor.get(url_of("sign", session)).content.decode()
    Session.objects.filter(pk=session.pk).update(ended_at=make.START.replace(hour=14, minute=7))
    assert "<td>14:07</td>" in doctor.get(url_of("sign", session)).content.decode()


def test_signing_needs_the_check(doctor, session):
    make.end_session(session)
    answer = doctor.post(url_of("sign", session), {})
    assert answer.status_code == 422
    session.refresh_from_db()
    assert session.status == Status.OPEN


def test_signed_session_is_locked_and_not_signed_again(doctor, session, physician):
    make.end_session(session)
    assert doctor.post(url_of("sign", session), SIGNING).status_code == 302
    session.refresh_from_db()
    assert (session.status, session.signed_by) == (Status.SIGNED, physician)
    assert doctor.get(url_of("sign", session)).status_code == 302
    text = doctor.get(url_of("session", session)).content.decode()
    assert url_of("sign", session) not in text


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
@pytest.mark.parametrize("name", ["session", "session_details", "decision", "sign"])
def test_roles_without_sessions_find_nothing(client, centre, session, role, name):
    client.force_login(make.make_user(role, centre))
    assert client.get(url_of(name, session)).status_code == 404
