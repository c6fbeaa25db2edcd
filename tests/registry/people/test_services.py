"""Members, their roles and the end of both: who may, what stays, and what the trail says."""

from __future__ import annotations

import datetime as dt
import json
from functools import partial

import pytest
from django.test import Client
from django.utils import timezone

from registry.access import Right, allowed, people_with, rights_anywhere
from registry.errors import AccessDenied, RuleBroken
from registry.models import Centre, Change, Member, Role, User
from registry.services import accounts
from registry.services.joining import invite
from registry.services.people import add_member, change_role, end_membership, open_centre, rename
from registry.trail.verify import faults
from tests import factories as make
from tests.revealing import clear_text

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


@pytest.fixture
def administrator(centre: Centre) -> User:
    return make.make_user(Role.ADMINISTRATOR, centre)


@pytest.fixture
def centre() -> Centre:
    return make.make_centre()


@pytest.fixture
def member(centre: Centre) -> Member:
    return make.make_user(Role.PHYSICIAN, centre).memberships.get()


def last_change(centre: Centre) -> Change:
    return Change.objects.filter(centre_id=centre.pk).latest("sequence")


def test_ended_membership_gives_no_right_and_stays_on_record(administrator, member, centre):
    end_membership(by=administrator, member=member, ended_on=TODAY(), reason="left")

    assert not any(allowed(member.user, centre.pk, right) for right in Right)
    assert rights_anywhere(member.user) == set()
    assert member.user not in people_with(centre.pk, Right.DECIDE)
    assert Member.objects.get(pk=member.pk).ended_on == TODAY()
    change = last_change(centre)
    assert (change.action, change.reason, change.actor_id) == ("changed", "left", administrator.pk)
    assert json.loads(change.values) == {"old": {"ended_on": None}, "new": {"ended_on": TODAY().isoformat()}}


def test_membership_that_ends_tomorrow_gives_its_rights_today(administrator, member, centre):
    end_membership(by=administrator, member=member, ended_on=TODAY() + dt.timedelta(days=1))
    assert allowed(member.user, centre.pk, Right.SIGN)


def test_session_of_a_member_whose_role_ended_sees_nothing_from_then_on(administrator, member):
    client = Client()
    client.force_login(member.user)
    assert client.get("/patients/").status_code == 200
    end_membership(by=administrator, member=member, ended_on=TODAY())
    assert client.get("/patients/").status_code == 403


def test_membership_does_not_end_twice_or_before_it_began(administrator, member):
    with pytest.raises(RuleBroken, match="needs correcting"):
        end_membership(by=administrator, member=member, ended_on=TODAY() - dt.timedelta(days=2))
    end_membership(by=administrator, member=member, ended_on=TODAY())
    with pytest.raises(RuleBroken, match="already ended"):
        end_membership(by=administrator, member=member, ended_on=TODAY())


def test_last_administrator_stays(administrator, centre):
    own = administrator.memberships.get()
    with pytest.raises(RuleBroken, match="would have no administrator"):
        end_membership(by=administrator, member=own, ended_on=TODAY())
    with pytest.raises(RuleBroken, match="would have no administrator"):
        change_role(by=administrator, member=own, role=Role.RESEARCHER)
    assert administrator.memberships.count() == 1

    add_member(by=administrator, centre=centre, user=make.make_user(None), role=Role.ADMINISTRATOR)
    end_membership(by=administrator, member=own, ended_on=TODAY())
    assert not allowed(administrator, centre.pk, Right.MANAGE_MEMBERS)


def test_changed_role_keeps_the_old_one_on_record(administrator, member, centre):
    changed = change_role(by=administrator, member=member, role=Role.CLINICAL_LEAD)
    assert changed.pk != member.pk
    assert rights_anywhere(member.user) >= {Right.SEE_AUDIT}
    assert Member.objects.get(pk=member.pk).ended_on == TODAY()


def test_role_that_ended_can_be_given_again(administrator, member, centre):
    end_membership(by=administrator, member=member, ended_on=TODAY())
    again = add_member(by=administrator, centre=centre, user=member.user, role=member.role)
    assert again.pk != member.pk
    assert allowed(member.user, centre.pk, Right.SIGN)


@pytest.mark.parametrize("role", [role for role in Role.values if role != Role.ADMINISTRATOR])
def test_nobody_else_manages_members(centre, member, role):
    by = make.make_user(role, centre)
    for act in (
        lambda: invite(by=by, centre=centre, username="newcomer", full_name="New Comer", role=Role.PHYSICIAN),
        lambda: change_role(by=by, member=member, role=Role.CLINICAL_LEAD),
        lambda: end_membership(by=by, member=member, ended_on=TODAY()),
        lambda: rename(by=by, member=member, full_name="Other Name"),
        lambda: accounts.one_time_link(by=by, member=member),
        lambda: accounts.end_sessions(by=by, member=member),
        lambda: accounts.take_off_second_factor(by=by, member=member, reason="phone lost"),
        lambda: open_centre(by=by, code="another", name="Another"),
    ):
        with pytest.raises(AccessDenied):
            act()
    assert not User.objects.filter(username="newcomer").exists()
    assert not Centre.objects.filter(code="another").exists()


def test_administrator_of_another_centre_manages_nobody_here(member):
    by = make.make_user(Role.ADMINISTRATOR)
    with pytest.raises(AccessDenied):
        end_membership(by=by, member=member, ended_on=TODAY())


def test_account_that_opens_another_centre_is_not_taken_over(administrator, member):
    """A link would let this administrator in as somebody who sees the other centre's patients."""
    elsewhere = make.make_centre()
    add_member(by=None, centre=elsewhere, user=member.user, role=Role.PHYSICIAN)
    name = member.user.full_name
    for act in (accounts.one_time_link, accounts.end_sessions, partial(rename, full_name="Other Name")):
        with pytest.raises(RuleBroken, match="also works in a centre"):
            act(by=administrator, member=member)
    assert User.objects.get(pk=member.user_id).full_name == name
    add_member(by=None, centre=elsewhere, user=administrator, role=Role.ADMINISTRATOR)
    assert accounts.one_time_link(by=administrator, member=member).startswith("/join/")


def test_opened_centre_is_administered_by_whoever_opened_it(administrator):
    centre = open_centre(by=administrator, code="second", name="Second")
    assert allowed(administrator, centre.pk, Right.MANAGE_MEMBERS)
    with pytest.raises(RuleBroken) as refused:
        open_centre(by=administrator, code="second", name="Third")
    assert "code" in refused.value.fields


def test_trail_holds_no_password_and_every_act(administrator, centre):
    member, _ = invite(by=administrator, centre=centre, username="newcomer", full_name="New Comer", role=Role.LAB_STAFF)
    accounts.one_time_link(by=administrator, member=member)
    rename(by=administrator, member=member, full_name="Newer Comer")
    accounts.end_sessions(by=administrator, member=member)
    changes = list(Change.objects.filter(centre_id=centre.pk, actor_id=administrator.pk).order_by("sequence"))
    assert [(one.record_type, one.action) for one in changes] == [
        ("registry.user", "created"),
        ("registry.member", "created"),
        ("registry.member", "link given"),
        ("registry.user", "changed"),
        ("registry.member", "sessions ended"),
    ]
    assert not any("password" in clear_text(one) for one in changes)
    assert list(faults()) == []
