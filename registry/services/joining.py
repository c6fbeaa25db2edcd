"""Joining a further centre: its administrator asks, the person answers. Until then the centre learns no name."""

from __future__ import annotations

from django.db import transaction

from registry.access import Right, allowed, require
from registry.errors import RuleBroken
from registry.models import Centre, Invitation, Member, User
from registry.models.invitation import Answer
from registry.services.people import add_member, give, is_own, open_account
from registry.services.records import change, put


@transaction.atomic
def invite(*, by: User, centre: Centre, username: str, full_name: str, role: str) -> tuple[Member | None, bool]:
    """Let somebody work here: make a new account, give one's own member a role, or ask a person who works elsewhere.

    Returns
    -------
    The membership, nothing when the person is asked first; and whether a link to set the first password is due.

    Raises
    ------
    AccessDenied, RuleBroken
        As for :func:`registry.services.people.add_member`.
    """
    require(by, centre.pk, Right.MANAGE_MEMBERS)
    user = User.objects.filter(username__iexact=username).first()
    if user is None:
        return open_account(by=by, centre=centre, username=username, full_name=full_name, role=role), True
    if is_own(by=by, centre=centre, user=user):
        return add_member(by=by, centre=centre, user=user, role=role), False
    ask_to_join(by=by, centre=centre, user=user, role=role)
    return None, False


def ask_to_join(*, by: User, centre: Centre, user: User, role: str) -> Invitation:
    """Ask somebody who has an account elsewhere to work in this centre too.

    Raises
    ------
    AccessDenied
        When the actor is no administrator of the centre.
    """
    require(by, centre.pk, Right.MANAGE_MEMBERS)
    waiting = Invitation.objects.filter(user=user, centre=centre, role=role, answer=Answer.OPEN).first()
    if waiting:
        return waiting
    values = {"user": user, "role": role, "invited_by": by}
    return put(Invitation, by=by, centre_id=centre.pk, values=values, scope={"centre": centre})[0]


@transaction.atomic
def answer_invitation(*, by: User, invitation: Invitation, accept: bool) -> Member | None:
    """Take the person's answer; the right of the person who invited is judged now.

    Raises
    ------
    ObjectDoesNotExist
        When the invitation is somebody else's.
    RuleBroken
        When it has been answered or withdrawn, or the person who invited no longer administers the centre.
    """
    found = Invitation.objects.select_for_update(no_key=True, of=("self",)).get(pk=invitation.pk, user=by)
    _require_open(found)
    values = {"answer": Answer.ACCEPTED if accept else Answer.DECLINED}
    if accept and not allowed(found.invited_by, found.centre_id, Right.MANAGE_MEMBERS):
        raise RuleBroken("This invitation is no longer valid. Ask the centre's administrator for a new one.")
    change(found, by=by, centre_id=found.centre_id, values=values, version=None)
    return give(by=by, centre=found.centre, user=by, role=found.role) if accept else None


@transaction.atomic
def withdraw_invitation(*, by: User, invitation: Invitation) -> None:
    """Take an invitation back.

    Raises
    ------
    AccessDenied
        When the actor is no administrator of the centre.
    RuleBroken
        When it has been answered or withdrawn.
    """
    require(by, invitation.centre_id, Right.MANAGE_MEMBERS)
    found = Invitation.objects.select_for_update(no_key=True, of=("self",)).get(pk=invitation.pk)
    _require_open(found)
    change(found, by=by, centre_id=found.centre_id, values={"answer": Answer.WITHDRAWN}, version=None)


def _require_open(invitation: Invitation) -> None:
    if invitation.answer != Answer.OPEN:
        raise RuleBroken("This invitation has already been answered or withdrawn.")
