"""The idle lock, the second factor a centre asks for, and one's own sessions: what the server refuses."""

from __future__ import annotations

import datetime as dt
import logging
import time

import pytest
from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from registry.models import Centre, Role, User, new_key
from registry.services.people import add_member
from tests import factories as make
from tests.registry.login.enrolling import enrol, recovery_codes

pytestmark = pytest.mark.django_db
PAGE = "/patients/"
HTML = {"Accept": "text/html"}


@pytest.fixture
def centre() -> Centre:
    return make.make_centre()


@pytest.fixture
def user(centre: Centre) -> User:
    return make.make_user(Role.PHYSICIAN, centre, password=make.PASSWORD)


def by_password(user: User) -> Client:
    client = Client(headers=HTML)
    client.post(reverse("login"), {"username": user.username, "password": make.PASSWORD})
    return client


@pytest.fixture
def client(user: User) -> Client:
    return by_password(user)


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch):
    """Return a function that lets minutes pass."""
    passed = [0.0]
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + passed[0])

    def pass_minutes(minutes: float) -> None:
        passed[0] += 60 * minutes

    return pass_minutes


def locked_at(client: Client, address: str = PAGE) -> bool:
    answer = client.get(address)
    return answer.status_code == 302 and answer.url.startswith(reverse("lock"))


def test_untouched_session_is_locked_after_its_minutes_and_not_before(client, later):
    later(14.9)
    assert client.get(PAGE).status_code == 200
    later(14.9)
    assert client.get(PAGE).status_code == 200
    later(15.1)
    assert client.get(PAGE).url == "/lock/?next=%2Fpatients%2F"
    assert locked_at(client)


def test_minutes_are_the_shortest_of_the_persons_centres(client, user, later):
    strict = make.make_centre()
    Centre.objects.filter(pk=strict.pk).update(idle_lock_min=7)
    add_member(by=None, centre=strict, user=user, role=Role.RESEARCHER)
    later(1.5)
    client.get(PAGE)  # a minute has passed: looked up again
    later(6.8)
    assert client.get(PAGE).status_code == 200
    later(7.1)
    assert locked_at(client)


@pytest.mark.parametrize(("home", "further", "minutes"), [(15, 1, 5), (1, 15, 5), (3, 1, 3), (2, 2, 2)])
def test_one_centre_of_several_does_not_lock_by_the_minute(client, user, centre, later, home, further, minutes):
    Centre.objects.filter(pk=centre.pk).update(idle_lock_min=home)
    strict = make.make_centre()
    Centre.objects.filter(pk=strict.pk).update(idle_lock_min=further)
    add_member(by=None, centre=strict, user=user, role=Role.RESEARCHER)
    later(1.1)
    said = client.post(reverse("lock_active"), headers={"Accept": "application/json"}).json()
    assert said["idle_s"] == 60 * minutes


def test_locked_session_answers_programs_with_423_and_a_code(client, later):
    later(16)
    answer = client.get("/api/v1/sessions", headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (423, "locked")
    entry = client.post("/api/v1/bedside/entries", {}, content_type="application/json")
    assert entry.status_code == 423


def test_part_of_a_page_leads_the_whole_page_to_the_lock(client, later):
    later(16)
    answer = client.get(PAGE, headers={"HX-Request": "true", "HX-Current-URL": "http://testserver/sessions/?page=2"})
    assert answer.status_code == 423
    assert answer["HX-Redirect"] == "/lock/?next=%2Fsessions%2F%3Fpage%3D2"


def test_lock_screen_shows_nothing_but_the_name_and_opens_with_the_password(client, user, later):
    patient = make.make_patient(user.memberships.get().centre, family_name="Readablename")
    assert "Readablename" in client.get(PAGE).content.decode()
    later(16)
    page = client.get(PAGE, follow=True).content.decode()
    assert str(user) in page
    assert "Readablename" not in page
    assert patient.code not in page
    assert 'aria-label="Main"' not in page

    wrong = client.post(reverse("lock"), {"password": "wrong", "next": PAGE})
    assert wrong.status_code == 422
    assert locked_at(client)
    assert client.post(reverse("lock"), {"password": make.PASSWORD, "next": PAGE}).url == PAGE
    assert client.get(PAGE).status_code == 200


def test_unlocking_does_not_lead_to_another_site(client):
    client.post(reverse("lock"))
    body = {"password": make.PASSWORD, "next": "https://elsewhere.example/"}
    assert client.post(reverse("lock"), body).url == "/"


def test_session_is_locked_by_hand(client):
    assert client.post(reverse("lock"), {"next": PAGE}).status_code == 200
    assert locked_at(client)
    assert locked_at(client, "/account/")
    assert locked_at(client, reverse("mfa_index"))
    assert locked_at(client, reverse("login"))


def test_guessing_at_the_lock_is_limited(client):
    client.post(reverse("lock"))
    for _ in range(11):
        answer = client.post(reverse("lock"), {"password": "wrong"})
    assert "Too many attempts" in answer.content.decode()
    assert "Too many attempts" in client.post(reverse("lock"), {"password": make.PASSWORD}).content.decode()


def test_another_person_takes_over_and_the_first_session_is_gone(client, user):
    client.post(reverse("lock"))
    key = client.session.session_key
    other = make.make_user(Role.LAB_STAFF, password=make.PASSWORD)
    log_in = client.post(reverse("logout"), {"next": PAGE}).url
    assert log_in == "/log-in/?next=%2Fpatients%2F"
    assert client.post(log_in, {"username": other.username, "password": make.PASSWORD, "next": PAGE}).url == PAGE
    assert client.session["_auth_user_id"] == str(other.pk)
    assert not client.session.__class__().exists(key)


def test_what_pages_ask_by_themselves_keeps_nothing_open(client, user, later):
    session = make.make_session(make.make_patient(user.memberships.get().centre))
    quiet = reverse("procedures:comparison_state", args=[session.pk])
    for _ in range(2):
        later(10)
        client.get(quiet)
    assert locked_at(client)


def test_outbox_that_empties_itself_keeps_nothing_open(client, user, later):
    session = make.make_session(make.make_patient(user.memberships.get().centre))
    for _ in range(2):
        later(10)
        body = {"session": str(session.pk), "device": str(session.pk), "sent_at": timezone.now(), "entries": []}
        client.post(reverse("api:bedside_entries"), body, content_type="application/json")
    assert locked_at(client)


def test_page_that_says_somebody_is_there_keeps_it_open(client, user, later):
    for times in range(1, 4):
        later(10)
        said = client.post(reverse("lock_active"), headers={"Accept": "application/json"}).json()
        assert said.pop("opened_s") == pytest.approx(600 * times, abs=30)
        assert said == {"locked": False, "idle_s": 900, "person": str(user), "me": str(user.pk)}
    assert client.get(PAGE).status_code == 200


def test_touching_costs_no_query_within_the_minute(client, django_assert_num_queries, later):
    client.get("/account/")
    with django_assert_num_queries(5):  # session, user, roles, memberships, invitations
        client.get("/account/")


# --- the second factor a centre asks for


def ask_for_factor(centre: Centre, in_days: int) -> None:
    day = timezone.localdate() + dt.timedelta(days=in_days)
    Centre.objects.filter(pk=centre.pk).update(second_factor_from=day)


def logged_in(user: User) -> Client:
    client = Client(headers=HTML)
    client.force_login(user)
    return client


def test_before_the_day_a_person_is_reminded(user, centre):
    ask_for_factor(centre, 7)
    page = logged_in(user).get(PAGE)
    assert page.status_code == 200
    assert "requires a second factor" in page.content.decode()


def test_from_the_day_on_nothing_opens_but_setting_one_up(user, centre):
    ask_for_factor(centre, 0)
    client = logged_in(user)
    assert client.get(PAGE).url == reverse("mfa_index")
    assert client.get("/").url == reverse("mfa_index")
    api = client.get("/api/v1/sessions", headers={"Accept": "application/json"})
    assert (api.status_code, api.json()["code"]) == (403, "second_factor_needed")
    assert client.get(reverse("mfa_index")).status_code == 200
    assert client.get(reverse("mfa_activate_totp")).url.startswith(reverse("account_reauthenticate"))
    Authenticator.objects.create(user=user, type="totp", data={})
    assert client.get(PAGE).status_code == 200


def test_second_factor_of_one_centre_closes_that_centre_only(user, centre):
    home_patient = make.make_patient(centre)
    asking = make.make_centre()
    their_patient = make.make_patient(asking)
    add_member(by=None, centre=asking, user=user, role=Role.PHYSICIAN)
    ask_for_factor(asking, 0)
    client = logged_in(user)
    assert client.get(reverse("registry:patient", args=[home_patient.pk])).status_code == 200
    assert client.get(reverse("registry:patient", args=[their_patient.pk])).status_code == 403
    assert client.get(f"/api/v1/patients/{their_patient.pk}", headers={"Accept": "*/*"}).status_code == 404
    assert "requires a second factor" in client.get(PAGE).content.decode()
    Authenticator.objects.create(user=user, type="totp", data={})
    assert client.get(reverse("registry:patient", args=[their_patient.pk])).status_code == 200


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_who_sees_no_identifiers_is_not_asked(centre, role):
    ask_for_factor(centre, 0)
    assert logged_in(make.make_user(role, centre)).get("/account/").status_code == 200


def test_setting_reaches_an_open_session_within_a_minute(client, centre, later):
    ask_for_factor(centre, 0)
    later(1.1)
    client.get("/account/")
    assert client.get(PAGE).url == reverse("mfa_index")


def test_last_factor_stays_while_the_centre_asks_for_one(client, user, centre):
    ask_for_factor(centre, 0)
    enrol(client)
    assert client.post(reverse("mfa_reauthenticate"), {"code": recovery_codes(user)[0]}).status_code == 302
    page = client.post(reverse("mfa_deactivate_totp")).content.decode()
    assert "add another one before you remove this one" in page
    assert Authenticator.objects.filter(user=user).exists()


# --- one's own sessions


def test_sessions_are_listed_and_one_or_all_others_end(client, user):
    others = [by_password(user) for _ in range(3)]
    page = client.get(reverse("account_sessions")).content.decode()
    assert page.count("End<span") == 4
    assert page.count("this device") == 1
    first = UserSession.objects.get(session_key=others[0].session.session_key)
    client.post(reverse("account_end_session", args=[first.pk]))
    assert others[0].get(PAGE).url.startswith(reverse("login"))
    assert others[1].get(PAGE).status_code == 200
    client.post(reverse("account_sessions"))
    assert others[1].get(PAGE).url.startswith(reverse("login"))
    assert client.get(PAGE).status_code == 200


def test_session_of_somebody_else_is_not_ended(client):
    theirs = by_password(make.make_user(Role.PHYSICIAN, password=make.PASSWORD))
    key = UserSession.objects.get(session_key=theirs.session.session_key).pk
    assert client.post(reverse("account_end_session", args=[key])).status_code == 404
    assert theirs.get(PAGE).status_code == 200


# --- what is noted


def test_refusals_and_failed_log_ins_are_logged_without_names(user, centre, caplog):
    researcher = make.make_user(Role.RESEARCHER, centre)
    with caplog.at_level(logging.WARNING, "tributary.access"):
        logged_in(researcher).get(PAGE)
        logged_in(user).get(reverse("registry:patient", args=[make.make_patient().pk]))
        Client().post(reverse("login"), {"username": user.username, "password": "wrong"})
        Client().post(reverse("login"), {"username": "a typed secret", "password": "wrong"})
    lines = [record.getMessage() for record in caplog.records if record.name == "tributary.access"]
    assert lines == [
        f"refused: account {researcher.pk}, address 127.0.0.1, method GET, route registry:patients, status 403",
        f"refused: account {user.pk}, address 127.0.0.1, method GET, route registry:patient, status 404",
        f"log-in failed: account {user.pk}, address 127.0.0.1",
        "log-in failed: account unknown, address 127.0.0.1",
    ]


def test_tries_at_another_centre_by_what_is_sent_are_logged(user, centre, caplog):
    session = make.make_session(make.make_patient(centre))
    theirs = make.make_site()
    client = Client(headers={"Accept": "*/*"})
    client.force_login(user)
    key = str(new_key())
    entry = {"id": key, "sequence": 1, "kind": "lead_measurement", "key": key, "captured_at": timezone.now()}
    entry["payload"] = {"site": str(theirs.pk), "capture_threshold_v": 1.0, "measured_at": timezone.now()}
    batch = {"session": str(session.pk), "device": key, "sent_at": timezone.now(), "entries": [entry]}
    with caplog.at_level(logging.WARNING, "tributary.access"):
        client.put(
            f"/api/v1/sessions/{key}",
            {"patient": str(theirs.tributary.session.patient_id), "started_at": timezone.now()},
            content_type="application/json",
        )
        client.post(reverse("api:bedside_entries"), batch, content_type="application/json")
        client.post(reverse("api:bedside_entries"), batch | {"session": key}, content_type="application/json")
        client.post(reverse("procedures:decision", args=[session.pk]), {"site": str(theirs.pk), "key": key})
        client.post(reverse("procedures:decision", args=[session.pk]), {"site": "typed", "key": key})
    events = [record.fields for record in caplog.records if record.name == "tributary.access"]
    assert {str(event["account"]) for event in events} == {str(user.pk)}
    assert {event["address"] for event in events} == {"127.0.0.1"}
    assert [(event["event"], event.get("route") or event.get("field")) for event in events] == [
        ("refused", "api:session-detail"),
        ("refused", "api:bedside_entries"),
        ("refused", "api:bedside_entries"),
        ("refused choice", "site"),
    ]
