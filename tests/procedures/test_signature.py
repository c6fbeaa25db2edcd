"""Who signs shows again who they are: on the page and in the API alike, and for some minutes only."""

from __future__ import annotations

import time

import pytest
from django.urls import reverse

from procedures.models import Status
from registry.models import Role
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def physician():
    return make.make_user(Role.PHYSICIAN, password=make.PASSWORD)


@pytest.fixture
def session(physician):
    centre = physician.memberships.get().centre
    return make.end_session(make.make_session(make.make_patient(centre, by=physician), by=physician))


def by_page(client, session, **sent):
    return client.post(reverse("procedures:sign", args=[session.pk]), {"checked": "on"} | sent)


def by_api(client, session, **sent):
    body = {"checked": True} | sent
    return client.post(f"/api/v1/sessions/{session.pk}/sign", body, content_type="application/json")


WAYS = pytest.mark.parametrize(("sign", "done", "refused"), [(by_page, 302, 422), (by_api, 200, 403)])


def status_of(session):
    session.refresh_from_db()
    return session.status


@WAYS
def test_signs_with_the_password(client, physician, session, sign, done, refused):
    client.force_login(physician)
    assert sign(client, session, password=make.PASSWORD).status_code == done
    session.refresh_from_db()
    assert (session.status, session.signed_by) == (Status.SIGNED, physician)


@WAYS
def test_being_logged_in_is_not_enough(client, physician, session, sign, done, refused):
    client.force_login(physician)
    answer = sign(client, session)
    assert answer.status_code == refused
    assert "Enter your password" in answer.content.decode()
    assert status_of(session) == Status.OPEN


@WAYS
def test_wrong_password_signs_nothing(client, physician, session, sign, done, refused):
    client.force_login(physician)
    assert sign(client, session, password="somebody else's").status_code == 422
    assert status_of(session) == Status.OPEN


@WAYS
def test_password_of_a_colleague_signs_nothing(client, physician, session, sign, done, refused):
    centre = session.centre
    colleague = make.make_user(Role.PHYSICIAN, centre, password="quite-another-password")
    client.force_login(physician)
    assert sign(client, session, password="quite-another-password").status_code == 422
    assert colleague.check_password("quite-another-password")
    assert status_of(session) == Status.OPEN


def confirm(client, session):
    """Confirm on the library's page, for the signature of a session."""
    body = {"password": make.PASSWORD, "next": reverse("procedures:sign", args=[session.pk])}
    assert client.post(reverse("account_reauthenticate"), body).status_code == 302


@WAYS
def test_confirmation_for_this_signature_is_enough_and_runs_out(
    client, physician, session, monkeypatch, sign, done, refused
):
    client.force_login(physician)
    confirm(client, session)
    with monkeypatch.context() as later:
        now = time.time()
        later.setattr(time, "time", lambda: now + 6 * 60)  # a confirmation counts for five
        assert sign(client, session).status_code == refused
    assert status_of(session) == Status.OPEN
    assert sign(client, session).status_code == done


@WAYS
def test_each_signature_asks_for_its_own_confirmation(client, physician, session, sign, done, refused):
    second = make.end_session(make.make_session(session.patient, by=physician))
    client.force_login(physician)
    confirm(client, session)
    assert sign(client, second).status_code == refused, "given for another session"
    assert sign(client, session).status_code == done
    assert sign(client, second).status_code == refused, "used up"
    client.post(reverse("account_reauthenticate"), {"password": make.PASSWORD, "next": "/account/"})
    assert sign(client, second).status_code == refused, "given for something else"
    assert sign(client, second, password=make.PASSWORD).status_code == done


@WAYS
def test_unlocking_signs_nothing(client, physician, session, sign, done, refused):
    client.force_login(physician)
    client.post(reverse("lock"))
    page = reverse("procedures:sign", args=[session.pk])
    assert client.post(reverse("lock"), {"password": make.PASSWORD, "next": page}).status_code == 302
    assert sign(client, session).status_code == refused
    client.post(reverse("lock"))
    confirm(client, session)  # by the way of a passkey or code, from the lock screen over the sign page
    assert sign(client, session).status_code == refused
    assert status_of(session) == Status.OPEN


@WAYS
def test_right_to_sign_is_asked_for_even_with_the_password(client, session, sign, done, refused):
    nurse = make.make_user(Role.LAB_STAFF, session.centre, password=make.PASSWORD)
    client.force_login(nurse)
    assert sign(client, session, password=make.PASSWORD).status_code == 403
    assert status_of(session) == Status.OPEN


def test_api_signs_only_what_was_checked(client, physician, session):
    client.force_login(physician)
    answer = by_api(client, session, password=make.PASSWORD, checked=False)
    assert answer.status_code == 400
    assert "Check the session" in answer.json()["fields"]["checked"][0]
    assert status_of(session) == Status.OPEN


def test_session_of_another_centre_is_not_found(client, physician):
    elsewhere = make.end_session(make.make_session())
    client.force_login(physician)
    assert by_api(client, elsewhere, password=make.PASSWORD).status_code == 404


def test_signature_is_locked_and_amended_with_a_reason(client, physician, session):
    client.force_login(physician)
    by_api(client, session, password=make.PASSWORD)
    url = reverse("procedures:session_details", args=[session.pk])
    assert "amendment_reason" in client.get(url).context["form"].fields


def test_wrong_passwords_are_limited(client, physician, session):
    client.force_login(physician)
    for _ in range(11):
        answer = by_api(client, session, password="a guess")
    assert answer.status_code == 422
    assert by_api(client, session, password=make.PASSWORD).status_code == 422, "the right one waits as well"
    assert status_of(session) == Status.OPEN
