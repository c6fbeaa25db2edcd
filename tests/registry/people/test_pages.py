"""The administrator's pages: by form, with wrong input, and a link that opens once."""

from __future__ import annotations

import re
import time
from urllib.parse import quote

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from registry.models import Centre, Change, Member, Role, User
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def centre() -> Centre:
    return make.make_centre("brook", "Brook Centre")


@pytest.fixture
def client(centre: Centre) -> Client:
    client = Client()
    client.force_login(make.make_user(Role.ADMINISTRATOR, centre))
    make.confirm(client)
    return client


@pytest.fixture
def member(centre: Centre) -> Member:
    return make.make_user(Role.PHYSICIAN, centre, password=make.PASSWORD).memberships.get()


def at(name: str, member: Member) -> str:
    return reverse(f"people:{name}", args=[member.centre.code, member.pk])


def text(answer) -> str:
    return re.sub(r"\s+", " ", answer.content.decode())


def test_administrator_starts_at_the_centres(client):
    answer = client.get("/", follow=True)
    assert answer.request["PATH_INFO"] == reverse("people:centres")
    assert "Brook Centre" in text(answer)


def test_new_member_sets_the_password_with_the_link_and_only_once(client):
    body = {"full_name": "Nova Comer", "username": "nova", "role": Role.LAB_STAFF}
    page = text(client.post(reverse("people:new_member", args=["brook"]), body))
    link = re.search(r"http://testserver(/join/[^<]+)", page)[1]

    newcomer = Client()
    form = newcomer.get(link, follow=True)
    assert "Nova" not in form.redirect_chain[-1][0]
    assert "User name <strong>nova</strong>" in text(form)
    address = form.redirect_chain[-1][0]
    assert "at least 12 characters" in text(
        newcomer.post(address, {"new_password1": "short", "new_password2": "short"})
    )
    new = "four words not seen before"
    assert newcomer.post(address, {"new_password1": new, "new_password2": new}).url == reverse("login")
    assert newcomer.post(reverse("login"), {"username": "nova", "password": new}).status_code == 302
    assert newcomer.get("/patients/").status_code == 200

    assert "This link no longer works" in text(Client().get(link, follow=True))


def test_page_with_a_link_is_kept_by_no_cache(client, member):
    assert "no-store" in client.post(at("link", member))["Cache-Control"]


def test_used_link_ends_the_sessions_there_were(client, member):
    there = Client()
    there.force_login(member.user)
    link = re.search(r"http://testserver(/join/[^<]+)", text(client.post(at("link", member))))[1]
    newcomer = Client()
    address = newcomer.get(link, follow=True).redirect_chain[-1][0]
    new = "four words not seen before"
    newcomer.post(address, {"new_password1": new, "new_password2": new})
    assert there.get("/patients/").url.startswith(reverse("login"))


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"full_name": ""}, "Enter the name."),
        (
            {"full_name": "A", "username": "two words", "role": "physician"},
            "User name: use letters, digits and @ . + - _ only",
        ),
        ({"full_name": "A", "username": "a"}, "Role: choose one answer."),
        ({"full_name": "A", "username": "a", "role": "king"}, "Role: choose one of the options shown."),
        ({"full_name": "A" * 121, "username": "a", "role": "physician"}, "at most 120 characters"),
    ],
)
def test_wrong_entries_are_said_and_nobody_is_made(client, body, said):
    users = User.objects.count()
    answer = client.post(reverse("people:new_member", args=["brook"]), body)
    assert answer.status_code == 422
    assert said in text(answer)
    assert User.objects.count() == users


def test_role_is_changed_and_membership_ended_by_form(client, member, centre):
    changed = client.post(at("role", member), {"role": Role.CLINICAL_LEAD}, follow=True)
    assert "is clinical lead now" in text(changed)
    lead = Member.objects.get(user=member.user, role=Role.CLINICAL_LEAD)
    past = client.post(at("end", lead), {"ended_on": "2020-01-01"})
    assert past.status_code == 422
    assert "The date is in the past" in text(past)
    ended = client.post(at("end", lead), {"ended_on": timezone.localdate().isoformat(), "reason": ""}, follow=True)
    assert "no rights as clinical lead" in text(ended)
    assert "Memberships that ended" in text(ended)
    assert "stays on record" in text(client.get(at("member", lead)))


def test_settings_are_saved_and_a_stale_page_is_a_conflict(client, centre):
    address = reverse("people:settings", args=["brook"])
    body = {"version": 1, "name": "Brook", "second_factor_from": "2030-01-01", "idle_lock_min": "5"}
    assert client.post(address, body).status_code == 302
    centre.refresh_from_db()
    assert (centre.idle_lock_min, str(centre.second_factor_from)) == (5, "2030-01-01")
    stale = client.post(address, body | {"name": "Brooks"})
    assert stale.status_code == 422
    assert "Somebody else has changed this" in text(stale)


@pytest.mark.parametrize(
    ("minutes", "said"),
    [("", "enter the minutes"), ("0", "1 to 240 minutes"), ("241", "1 to 240 minutes"), ("ten", "whole")],
)
def test_wrong_minutes_are_refused_beside_the_field(client, minutes, said):
    address = reverse("people:settings", args=["brook"])
    answer = client.post(address, {"version": 1, "name": "Brook", "idle_lock_min": minutes})
    assert answer.status_code == 422
    assert said in text(answer)


def test_another_centre_is_not_found(client):
    make.make_centre("other", "Other")
    for name in ("centre", "settings", "new_member"):
        assert client.get(reverse(f"people:{name}", args=["other"])).status_code == 404


def test_centre_is_opened_and_its_short_name_is_its_own(client):
    address = reverse("people:new_centre")
    assert client.post(address, {"code": "second", "name": "Second"}, follow=True).status_code == 200
    again = client.post(address, {"code": "second", "name": "Third"})
    assert again.status_code == 422
    assert "Another centre already has this short name" in text(again)


def test_list_of_200_members_costs_as_many_queries_as_of_one(client, centre, django_assert_max_num_queries):
    for _ in range(200):
        make.make_user(Role.LAB_STAFF, centre)
    with django_assert_max_num_queries(10):
        assert text(client.get(reverse("people:centre", args=["brook"]))).count("Lab staff") == 200


@pytest.mark.parametrize("act", ["role", "end", "link", "end_sessions", "take_off_factor", "member"])
def test_acts_on_a_member_ask_for_confirmation_first(client, member, act):
    stranger_at_the_screen = Client()
    stranger_at_the_screen.force_login(User.objects.get(pk=client.session["_auth_user_id"]))
    changes = Change.objects.count()
    body = {"role": Role.CLINICAL_LEAD, "ended_on": timezone.localdate().isoformat(), "reason": "x", "full_name": "New"}
    answer = stranger_at_the_screen.post(at(act, member), body)
    assert answer.url == f"/account/confirm/?next={quote(at('member', member), safe='')}"
    assert Change.objects.count() == changes


@pytest.mark.parametrize("page", ["new_member", "settings"])
def test_forms_of_the_administrator_open_after_a_confirmation_and_take_what_was_typed(client, page, monkeypatch):
    address = reverse(f"people:{page}", args=["brook"])
    assert client.get(address).status_code == 200
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 600)
    assert client.get(address).url.startswith(reverse("account_reauthenticate"))
    assert client.post(address, {"name": ""}).status_code == 422, "ten minutes to fill it in"
    monkeypatch.setattr(time, "time", lambda: now + 901)
    assert client.post(address, {"name": ""}).url.startswith(reverse("account_reauthenticate"))


def test_administrator_does_not_let_themselves_see_patients(client, centre):
    own = User.objects.get(pk=client.session["_auth_user_id"]).memberships.get()
    make.make_user(Role.ADMINISTRATOR, centre)
    for role in (Role.PHYSICIAN, Role.CLINICAL_LEAD, Role.LAB_STAFF):
        refused = client.post(at("role", own), {"role": role})
        assert refused.status_code == 422
        body = {"full_name": "A", "username": own.user.username, "role": role}
        refused_too = client.post(reverse("people:new_member", args=["brook"]), body)
        for answer in (refused, refused_too):
            assert "You cannot let yourself see patients" in text(answer)
    assert own.user.memberships.count() == 1


def test_leads_see_whom_their_administrators_let_in(client, centre, member):
    client.post(at("role", member), {"role": Role.CLINICAL_LEAD})
    lead = Client()
    lead.force_login(member.user)
    page = text(lead.get(reverse("registry:looks")))
    administrator = User.objects.get(pk=client.session["_auth_user_id"])
    assert f"<td>Clinical lead, Brook Centre</td> <td>{administrator}</td>" in page
