"""Writing centres, users and memberships. Used at installation and by administrators."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction
from django.utils import timezone

from registry.access import Right, centres_for, in_force, people_with, require, require_somewhere, roles_with
from registry.errors import RuleBroken
from registry.models import Centre, Member, Role, User
from registry.services.records import change, put
from registry.trail import record as trail


def _beside(field: str, message: str) -> RuleBroken:
    return RuleBroken("Your entry needs correcting.", fields={field: [message]})


@transaction.atomic
def found_centre(*, code: str, name: str) -> Centre:
    """Create a centre; a command-line act, since nobody is a member of it yet."""
    centre = Centre.objects.filter(code=code).first()
    if centre:
        return centre
    centre = Centre(code=code, name=name)
    put_values = {"code": code, "name": name}
    centre, _ = put(Centre, by=None, centre_id=centre.pk, values=put_values, scope={}, key=centre.pk)
    return centre


@transaction.atomic
def open_centre(*, by: User, code: str, name: str) -> Centre:
    """Create a further centre; the user who opens it is its first administrator.

    Raises
    ------
    AccessDenied
        When the actor administers no centre.
    RuleBroken
        When the short name is taken.
    """
    require_somewhere(by, Right.MANAGE_MEMBERS)
    if Centre.objects.filter(code=code).exists():
        raise _beside("code", "Another centre already has this short name. Choose a different one.")
    centre = Centre(code=code, name=name)
    centre, _ = put(Centre, by=by, centre_id=centre.pk, values={"code": code, "name": name}, scope={}, key=centre.pk)
    give(by=by, centre=centre, user=by, role=Role.ADMINISTRATOR)
    return centre


def change_centre(*, by: User, centre: Centre, version: int, **values: Any) -> Centre:
    """Change a centre's name or settings.

    Raises
    ------
    AccessDenied, RuleBroken, Conflict
        As their names say.
    """
    require(by, centre.pk, Right.MANAGE_MEMBERS)
    return change(centre, by=by, centre_id=centre.pk, values=values, version=version)


def give(*, by: User | None, centre: Centre, user: User, role: str) -> Member:
    """Write a membership, for services that have judged the right to."""
    held = Member.objects.filter(in_force(), user=user, centre=centre, role=role).first()
    if held:
        return held
    member, _ = put(Member, by=by, centre_id=centre.pk, values={"user": user, "role": role}, scope={"centre": centre})
    return member


@transaction.atomic
def add_member(*, by: User | None, centre: Centre, user: User, role: str) -> Member:
    """Give a user a role in a centre; ``by=None`` is the command line.

    Raises
    ------
    RuleBroken
        When the role is unknown, the person works elsewhere and has to be asked, or the actor would let themselves see
        patients.
    AccessDenied
        When the actor is no administrator of the centre.
    """
    if role not in Role.values:
        raise RuleBroken(f"'{role}' is not a role; the roles are {', '.join(Role.values)}.")
    if by is not None:
        require(by, centre.pk, Right.MANAGE_MEMBERS)
        if by == user and role in roles_with(Right.SEE_IDENTITY):
            raise _beside(
                "role", "You cannot let yourself see patients. Ask another administrator to give you this role."
            )
        if not is_own(by=by, centre=centre, user=user):
            raise RuleBroken("This person works in another centre. Send an invitation.")
    return give(by=by, centre=centre, user=user, role=role)


def is_own(*, by: User, centre: Centre, user: User) -> bool:
    """Say whether a role needs no asking: the person works here, or has only ever worked where the actor administers.

    An account without any membership is one that was just made.
    """
    all_of_them = Member.objects.filter(user=user)
    ours = centres_for(by, Right.MANAGE_MEMBERS).values("pk")
    if all_of_them.filter(in_force(), centre=centre).exists() or not all_of_them.exists():
        return True
    elsewhere = all_of_them.filter(in_force()).exclude(centre__in=ours)
    return all_of_them.filter(centre__in=ours).exists() and not elsewhere.exists()


@transaction.atomic
def open_account(*, by: User | None, centre: Centre, username: str, full_name: str, role: str) -> Member:
    """Make an account without a password and give it a role; ``by=None`` is the command line.

    Raises
    ------
    AccessDenied
        When the actor is no administrator of the centre.
    """
    if by is not None:
        require(by, centre.pk, Right.MANAGE_MEMBERS)
    user = User(username=username, full_name=full_name)
    user.set_unusable_password()
    user.save()
    trail.write(centre_id=centre.pk, by=by, action="created", record=user)
    return add_member(by=by, centre=centre, user=user, role=role)


@transaction.atomic
def change_role(*, by: User, member: Member, role: str) -> Member:
    """End a membership today and begin one with another role, so that who held which role when stays on record.

    Raises
    ------
    AccessDenied, RuleBroken
        As for :func:`add_member` and :func:`end_membership`.
    """
    require(by, member.centre_id, Right.MANAGE_MEMBERS)
    if member.role == role:
        return member
    new = add_member(by=by, centre=member.centre, user=member.user, role=role)
    end_membership(by=by, member=member, ended_on=timezone.localdate(), reason=f"role changed to {Role(role).label}")
    return new


@transaction.atomic
def end_membership(*, by: User, member: Member, ended_on: dt.date, reason: str = "") -> Member:
    """Let a membership give no right from a day on. It stays on record.

    Raises
    ------
    AccessDenied
        When the actor is no administrator of the centre.
    RuleBroken
        When it has ended already, would end before it began, or nobody would administer the centre.
    """
    require(by, member.centre_id, Right.MANAGE_MEMBERS)
    # The centre's row keeps two administrators from ending one another in the same instant.
    Centre.objects.select_for_update(no_key=True).get(pk=member.centre_id)
    stored = Member.objects.get(pk=member.pk)
    if stored.ended_on and stored.ended_on <= timezone.localdate():
        raise RuleBroken("This membership has already ended.")
    if ended_on < timezone.localdate(stored.created_at):
        raise _beside("ended_on", "The membership started later. Enter its start date or a later date.")
    others = Member.objects.filter(
        centre_id=stored.centre_id, role__in=roles_with(Right.MANAGE_MEMBERS), ended_on__isnull=True
    ).exclude(pk=stored.pk)
    if stored.role in roles_with(Right.MANAGE_MEMBERS) and not others.exists():
        raise RuleBroken("The centre would have no administrator. Make somebody else administrator first.")
    values = {"ended_on": ended_on}
    return change(stored, by=by, centre_id=stored.centre_id, values=values, version=None, reason=reason)


@transaction.atomic
def rename(*, by: User, member: Member, full_name: str) -> None:
    """Correct a member's name, which every centre of the account shows.

    Raises
    ------
    AccessDenied, RuleBroken
        As for :func:`require_whole_account`.
    """
    require_whole_account(by=by, member=member)
    user = member.user
    if user.full_name == full_name:
        return
    old = trail.state_of(user)
    user.full_name = full_name
    user.save(update_fields=["full_name"])
    trail.write(centre_id=member.centre_id, by=by, action="changed", record=user, old=old)


def require_whole_account(*, by: User, member: Member) -> None:
    """Refuse what concerns a person's whole account unless the actor administers every centre the person works in.

    Otherwise an administrator of one centre could take over an account that opens another centre's records.

    Raises
    ------
    AccessDenied
        When the actor is no administrator of the member's centre.
    RuleBroken
        When the person also works in a centre the actor does not administer.
    """
    require(by, member.centre_id, Right.MANAGE_MEMBERS)
    centres = Member.objects.filter(in_force(), user=member.user).values_list("centre_id", flat=True).distinct()
    if not all(people_with(centre, Right.MANAGE_MEMBERS).filter(pk=by.pk).exists() for centre in centres):
        raise RuleBroken(
            "This person also works in a centre that you do not administer. Ask that centre's administrator."
        )


@transaction.atomic
def note_act(*, by: User | None, member: Member, action: str, reason: str = "") -> None:
    """Write an act on a member's account that changes no field into the trail, such as a link given out."""
    trail.write(centre_id=member.centre_id, by=by, action=action, record=member, reason=reason)
