"""Joining a further centre needs the person's consent, and a link lives no longer than the right of its maker."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from registry.access import Right, allowed
from registry.errors import AccessDenied, RuleBroken
from registry.models import Answer, Centre, Invitation, Member, Role, User
from registry.services import accounts
from registry.services.joining import answer_invitation, invite, withdraw_invitation
from registry.services.people import add_member, end_membership
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def home() -> Centre:
    return make.make_centre("home", "Home Centre")


@pytest.fixture
def further() -> Centre:
    return make.make_centre("further", "Further Centre")


@pytest.fixture
def physician(home: Centre) -> User:
    return make.make_user(Role.PHYSICIAN, home, password=make.PASSWORD)


@pytest.fixture
def stranger(further: Centre) -> User:
    """Return the administrator of the further centre."""
    return make.make_user(Role.ADMINISTRATOR, further)


def logged_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    make.confirm(client)
    return client


def ask(stranger: User, further: Centre, physician: User, role: str = Role.PHYSICIAN) -> Invitation:
    found = invite(by=stranger, centre=further, username=physician.username.upper(), full_name="Any", role=role)
    assert found == (None, False)
    return Invitation.objects.get(user=physician, centre=further, answer=Answer.OPEN)


def test_administrator_cannot_add_somebody_elses_member_and_learns_no_name(stranger, further, physician):
    client = logged_in(stranger)
    body = {"full_name": "Any", "username": physician.username, "role": Role.PHYSICIAN}
    page = client.post(reverse("people:new_member", args=["further"]), body, follow=True).content.decode()
    assert "has been invited" in page
    assert f'<th scope="row">{physician.username}</th>' in page
    assert physician.full_name not in page
    assert not Member.objects.filter(user=physician, centre=further).exists()
    with pytest.raises(RuleBroken, match="works in another centre"):
        add_member(by=stranger, centre=further, user=physician, role=Role.PHYSICIAN)


def test_rules_of_a_centre_that_only_asks_do_not_reach_the_person(stranger, further, physician):
    ask(stranger, further, physician)
    Centre.objects.filter(pk=further.pk).update(second_factor_from=timezone.localdate(), idle_lock_min=1)
    client = logged_in(physician)
    assert client.get("/patients/").status_code == 200
    said = client.post(reverse("lock_active"), headers={"Accept": "application/json"}).json()
    assert said["idle_s"] == 900


def test_person_accepts_on_the_account_page_after_confirming(stranger, further, physician):
    invitation = ask(stranger, further, physician)
    client = Client()
    client.force_login(physician)
    assert "Invitation from Further Centre" in client.get(reverse("account")).content.decode()
    address = reverse("account_invitation", args=[invitation.pk])
    assert client.post(address, {"accept": "1"}).url.startswith(reverse("account_reauthenticate"))
    assert not allowed(physician, further.pk, Right.SEE_SESSIONS)
    make.confirm(client)
    assert client.post(address, {"accept": "1"}).url == reverse("account")
    assert allowed(physician, further.pk, Right.SEE_SESSIONS)
    assert client.post(address, {"accept": "1"}).status_code == 422, "answered"


def test_person_declines_and_nobody_answers_for_them(stranger, further, physician):
    invitation = ask(stranger, further, physician)
    for somebody in (stranger, make.make_user(Role.ADMINISTRATOR)):
        address = reverse("account_invitation", args=[invitation.pk])
        assert logged_in(somebody).post(address, {"accept": "1"}).status_code == 404
    assert answer_invitation(by=physician, invitation=invitation, accept=False) is None
    assert not Member.objects.filter(user=physician, centre=further).exists()
    ask(stranger, further, physician)  # may ask again


def test_withdrawn_invitation_and_one_whose_maker_has_left_open_nothing(stranger, further, physician):
    invitation = ask(stranger, further, physician)
    with pytest.raises(AccessDenied):
        withdraw_invitation(by=make.make_user(Role.ADMINISTRATOR), invitation=invitation)
    elsewhere = logged_in(make.make_user(Role.ADMINISTRATOR))
    address = reverse("people:withdraw", args=["further", invitation.pk])
    assert elsewhere.post(address).status_code == 404
    assert logged_in(stranger).post(address).url == reverse("people:centre", args=["further"])
    with pytest.raises(RuleBroken, match="already been answered or withdrawn"):
        answer_invitation(by=physician, invitation=invitation, accept=True)

    second = ask(stranger, further, physician)
    make.make_user(Role.ADMINISTRATOR, further)
    own = stranger.memberships.get()
    end_membership(by=stranger, member=own, ended_on=timezone.localdate())
    with pytest.raises(RuleBroken, match="no longer valid"):
        answer_invitation(by=physician, invitation=second, accept=True)
    assert not Member.objects.filter(user=physician, centre=further).exists()


def test_own_members_and_those_who_left_get_a_further_role_at_once(home, physician):
    administrator = make.make_user(Role.ADMINISTRATOR, home)
    wanted = {"by": administrator, "centre": home, "username": physician.username, "full_name": "Any"}
    member, is_new = invite(**wanted, role=Role.RESEARCHER)
    assert (member.user, is_new) == (physician, False)
    for one in physician.memberships.all():
        end_membership(by=administrator, member=one, ended_on=timezone.localdate())
    member, _ = invite(**wanted, role=Role.PHYSICIAN)
    assert member.user == physician


def test_somebody_who_left_another_centre_is_asked_too(stranger, further, home, physician):
    administrator = make.make_user(Role.ADMINISTRATOR, home)
    end_membership(by=administrator, member=physician.memberships.get(), ended_on=timezone.localdate())
    ask(stranger, further, physician)


def opens(link: str) -> bool:
    page = Client().get(link, follow=True).content.decode()
    assert ("Set the password" in page) != ("This link no longer works" in page)
    return "Set the password" in page


def test_link_ends_when_the_account_joins_a_centre_its_maker_does_not_administer(home, further, physician):
    administrator = make.make_user(Role.ADMINISTRATOR, home)
    link = accounts.one_time_link(by=administrator, member=physician.memberships.get())
    opened = Client()
    form = opened.get(link, follow=True).redirect_chain[-1][0]
    assert opens(link)
    add_member(by=None, centre=further, user=physician, role=Role.PHYSICIAN)
    assert not opens(link)
    new = "four words not seen before"
    late = opened.post(form, {"new_password1": new, "new_password2": new}, follow=True)
    assert "This link no longer works" in late.content.decode()
    physician.refresh_from_db()
    assert physician.check_password(make.PASSWORD)


def test_link_ends_with_its_makers_role_and_with_the_membership(home, physician):
    administrator, other = (make.make_user(Role.ADMINISTRATOR, home) for _ in range(2))
    member = physician.memberships.get()
    link = accounts.one_time_link(by=administrator, member=member)
    end_membership(by=other, member=administrator.memberships.get(), ended_on=timezone.localdate())
    assert not opens(link)
    second = accounts.one_time_link(by=other, member=member)
    assert opens(second)
    end_membership(by=other, member=member, ended_on=timezone.localdate())
    assert not opens(second)


def test_link_names_another_maker_in_vain(home, further, physician, stranger):
    """Each key in the link is part of what is signed."""
    administrator = make.make_user(Role.ADMINISTRATOR, home)
    link = accounts.one_time_link(by=administrator, member=physician.memberships.get())
    assert opens(link)
    assert not opens(re.sub(administrator.pk.hex, make.make_user(Role.ADMINISTRATOR, home).pk.hex, link))
    assert not opens(re.sub(administrator.pk.hex, "0" * 32, link))
