"""Who is stopped by wrong passwords, and who is not: strangers never stop a colleague, a tablet or a signature."""

from __future__ import annotations

import logging
import secrets

import pytest
from allauth.mfa.models import Authenticator
from django.http import HttpResponse
from django.test import Client, RequestFactory
from django.urls import reverse

from procedures.models import Status
from registry.login import known_devices
from registry.login.access_log import origin
from registry.models import Role, User
from tests import factories as make
from tests.registry.login.enrolling import enrol, recovery_codes

pytestmark = pytest.mark.django_db
HERE, ELSEWHERE = "192.0.2.10", "198.51.100.7"
STOPPED = "Too many failed attempts"


@pytest.fixture
def user() -> User:
    return make.make_user(Role.PHYSICIAN, password=make.PASSWORD)


def at(address: str) -> Client:
    """Return a browser at an address."""
    return Client(REMOTE_ADDR=address)


def log_in(client: Client, user: User, password: str = make.PASSWORD) -> HttpResponse:
    return client.post(reverse("login"), {"username": user.username, "password": password})


def is_in(client: Client) -> bool:
    return "_auth_user_id" in client.session


def guess(client: Client, user: User, times: int = 6) -> str:
    """Try wrong passwords and return the last page."""
    return [log_in(client, user, f"wrong {number}").content.decode() for number in range(times)][-1]


def test_sixth_wrong_password_is_refused_and_so_is_the_right_one_after_it(user):
    client = at(HERE)
    assert STOPPED not in guess(client, user, 5)
    assert STOPPED in guess(client, user, 1)
    assert STOPPED in log_in(client, user).content.decode()
    assert not is_in(client)


def test_stranger_elsewhere_locks_nobody_out(user):
    assert STOPPED in guess(at(ELSEWHERE), user, 20)
    client = at(HERE)
    log_in(client, user)
    assert is_in(client)


def test_known_tablet_keeps_a_way_in_beside_a_stranger_at_the_same_address(user):
    tablet = at(HERE)
    log_in(tablet, user)
    tablet.post(reverse("logout"))
    assert STOPPED in guess(at(HERE), user)
    for number in range(40):  # and other names, until the whole address has to wait
        at(HERE).post(reverse("login"), {"username": f"nobody{number}", "password": "wrong"})
    log_in(tablet, user)
    assert is_in(tablet)


def test_known_tablet_has_no_more_attempts_than_a_stranger(user):
    tablet = at(HERE)
    log_in(tablet, user)
    tablet.post(reverse("logout"))
    assert STOPPED in guess(tablet, user)
    assert STOPPED in log_in(tablet, user).content.decode()


def test_tablet_known_to_one_person_is_not_known_to_another_and_is_not_made_up(user):
    other = make.make_user(Role.PHYSICIAN, password=make.PASSWORD)
    tablet = at(HERE)
    log_in(tablet, other)
    tablet.post(reverse("logout"))
    guess(at(HERE), user)
    assert STOPPED in log_in(tablet, user).content.decode()
    forged = at(HERE)
    forged.cookies[known_devices.COOKIE] = "eyJkZXZpY2UiOiJ4In0:1:made-up"
    assert STOPPED in log_in(forged, user).content.decode()


def test_cookie_of_a_known_tablet_names_nobody_and_cannot_be_read_by_scripts(user):
    tablet = at(HERE)
    cookie = log_in(tablet, user).cookies[known_devices.COOKIE]
    assert cookie["httponly"]
    assert user.username not in cookie.value
    request = RequestFactory().get("/")
    request.COOKIES[known_devices.COOKIE] = cookie.value
    assert known_devices.device_of(request, user.username.upper())
    assert known_devices.device_of(request, "somebody") == ""


def test_name_tried_from_many_addresses_is_stopped_for_strangers_only(user):
    tablet = at(HERE)
    log_in(tablet, user)
    tablet.post(reverse("logout"))
    for number in range(11):
        guess(at(f"203.0.113.{number}"), user, 5)
    assert STOPPED in guess(at("203.0.113.99"), user, 1)
    log_in(tablet, user)
    assert is_in(tablet)


def test_many_names_tried_from_one_address_are_stopped():
    pages = [
        at(HERE).post(reverse("login"), {"username": f"nobody{number}", "password": "wrong"}).content.decode()
        for number in range(31)
    ]
    assert STOPPED not in pages[29]
    assert STOPPED in pages[30]


@pytest.fixture
def session(user):
    return make.end_session(make.make_session(make.make_patient(user.memberships.get().centre, by=user), by=user))


def sign(client: Client, session, password: str = make.PASSWORD) -> int:
    address = reverse("procedures:sign", args=[session.pk])
    return client.post(address, {"checked": "on", "password": password}).status_code


def test_strangers_wrong_log_ins_keep_no_tablet_locked_and_no_signature_back(user, session):
    tablet = at(HERE)
    log_in(tablet, user)
    tablet.post(reverse("lock"))
    assert STOPPED in guess(at(HERE), user, 12)
    assert tablet.post(reverse("lock"), {"password": make.PASSWORD}).status_code == 302
    assert sign(tablet, session) == 302
    session.refresh_from_db()
    assert session.status == Status.SIGNED


def test_wrong_passwords_at_a_locked_tablet_stop_that_lock_only(user, session):
    tablet, office = at(HERE), at(HERE)
    log_in(tablet, user)
    log_in(office, user)
    tablet.post(reverse("lock"))
    for _ in range(6):
        answer = tablet.post(reverse("lock"), {"password": "wrong"})
    assert "Too many attempts" in answer.content.decode()
    for _ in range(6):
        tablet.post(reverse("account_reauthenticate"), {"password": "wrong"})
    assert tablet.post(reverse("lock"), {"password": make.PASSWORD}).status_code == 422
    third = at(HERE)
    log_in(third, user)
    assert is_in(third)
    assert sign(office, session) == 302


def test_wrong_signatures_do_not_stop_the_lock(user, session):
    tablet = at(HERE)
    log_in(tablet, user)
    assert [sign(tablet, session, "wrong") for _ in range(6)] == [422] * 6
    assert sign(tablet, session) == 422
    tablet.post(reverse("lock"))
    assert tablet.post(reverse("lock"), {"password": make.PASSWORD}).status_code == 302


def test_wrong_codes_at_a_locked_tablet_stop_no_log_in(user):
    tablet = at(HERE)
    log_in(tablet, user)
    enrol(tablet)
    codes = recovery_codes(user)
    tablet.post(reverse("lock"))
    for _ in range(6):
        answer = tablet.post(reverse("mfa_reauthenticate"), {"code": "000000"})
    assert "Too many attempts" in answer.content.decode()
    assert tablet.post(reverse("mfa_reauthenticate"), {"code": codes[0]}).status_code == 200, "the right one waits"
    elsewhere = at(HERE)
    assert log_in(elsewhere, user).url == reverse("mfa_authenticate")
    assert elsewhere.post(reverse("mfa_authenticate"), {"code": codes[1]}).status_code == 302
    assert is_in(elsewhere)
    assert Authenticator.objects.filter(user=user).count() == 2


@pytest.mark.parametrize(
    ("proxies", "forwarded", "address"),
    [
        (0, "203.0.113.5", HERE),
        (1, "203.0.113.5", "203.0.113.5"),
        (1, "10.0.0.1, 203.0.113.5", "203.0.113.5"),
        (2, "10.0.0.1, 203.0.113.5, 192.0.2.1", "203.0.113.5"),
        (2, "203.0.113.5", HERE),
        (1, "", HERE),
        (1, "203.0.113.5:4711", "203.0.113.5"),
        (1, "[2001:db8::1]:4711", "2001:db8::1"),
        (1, "2001:db8::1", "2001:db8::1"),
        (1, "<script>", "0.0.0.0"),  # noqa: S104 - "no address"
    ],
)
def test_address_is_the_callers_as_the_trusted_proxies_say_it(settings, proxies, forwarded, address):
    settings.TRUSTED_PROXIES = proxies
    assert origin(RequestFactory().get("/", REMOTE_ADDR=HERE, headers={"X-Forwarded-For": forwarded})) == address


def test_written_address_gives_no_new_attempts(user, settings):
    settings.TRUSTED_PROXIES = 1
    client = at("10.9.9.9")
    for number in range(6):
        page = client.post(
            reverse("login"),
            {"username": user.username, "password": secrets.token_hex()},
            headers={"X-Forwarded-For": f"203.0.113.{number}, {ELSEWHERE}"},
        )
    assert STOPPED in page.content.decode()


def test_what_an_investigator_needs_is_logged(user, caplog, settings):
    settings.TRUSTED_PROXIES = 1
    client = Client(REMOTE_ADDR="10.9.9.9", headers={"X-Forwarded-For": ELSEWHERE})
    with caplog.at_level(logging.INFO, "tributary.access"):
        guess(client, user)
        client = at(HERE)
        log_in(client, user)
        client.post(reverse("lock"), {"password": "wrong"})
        client.post(reverse("logout"))
    said = [record.getMessage() for record in caplog.records if record.name == "tributary.access"]
    failed = f"log-in failed: account {user.pk}, address {ELSEWHERE}"
    assert said == [
        *[failed] * 5,
        f"log-in stopped after too many attempts: account unknown, address {ELSEWHERE}",
        f"log-in: account {user.pk}, address {HERE}",
        f"unlock failed: account {user.pk}, address {HERE}",
        f"log-out: account {user.pk}, address {HERE}",
    ]
    record = next(record for record in caplog.records if record.name == "tributary.access")
    assert record.fields == {"event": "log-in failed", "account": user.pk, "address": ELSEWHERE}
