"""Acts of an administrator on a member's account: a one-time link, ending sessions, taking off a lost second factor."""

from __future__ import annotations

from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.db import transaction

from registry.models import Member, User
from registry.services.links import path_of_link
from registry.services.people import note_act, require_whole_account


@transaction.atomic
def one_time_link(*, by: User, member: Member) -> str:
    """Return a path to set the member's password once; it ends with use, with time, and with its maker's right.

    Raises
    ------
    AccessDenied, RuleBroken
        As for :func:`registry.services.people.require_whole_account`.
    """
    require_whole_account(by=by, member=member)
    note_act(by=by, member=member, action="link given")
    return path_of_link(by=by, member=member)


@transaction.atomic
def end_sessions(*, by: User, member: Member) -> int:
    """Log a member out everywhere; returns from how many sessions.

    Raises
    ------
    AccessDenied, RuleBroken
        As for :func:`registry.services.people.require_whole_account`.
    """
    require_whole_account(by=by, member=member)
    sessions = UserSession.objects.purge_and_list(member.user)
    for session in sessions:
        session.end()
    note_act(by=by, member=member, action="sessions ended")
    return len(sessions)


@transaction.atomic
def take_off_second_factor(*, by: User, member: Member, reason: str) -> None:
    """Remove a member's second factors, when phone and recovery codes are lost, and log them out everywhere.

    Raises
    ------
    AccessDenied, RuleBroken
        As for :func:`registry.services.people.require_whole_account`.
    """
    require_whole_account(by=by, member=member)
    Authenticator.objects.filter(user=member.user).delete()
    note_act(by=by, member=member, action="factor taken off", reason=reason)
    end_sessions(by=by, member=member)
