"""Reading centres and members, as far as the viewing user administers them."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from registry.access import Right, centres_for, centres_of, in_force, require, roles_with
from registry.models import Answer, Centre, Change, Invitation, Member, User


def administered_centres(user: User) -> QuerySet[Centre]:
    """Return the centres the user administers, with the number of members in force."""
    return (
        Centre.objects.filter(pk__in=centres_for(user, Right.MANAGE_MEMBERS).values("pk"))
        .annotate(people=Count("members__user", filter=in_force("members__"), distinct=True))
        .order_by("name")
    )


def find_centre(user: User, code: str) -> Centre:
    """Return a centre the user administers.

    Raises
    ------
    ObjectDoesNotExist
        When there is no such centre, or the user does not work in it.
    AccessDenied
        When the user works in it without administering it.
    """
    centre = centres_of(user).get(code=code)
    require(user, centre.pk, Right.MANAGE_MEMBERS)
    return centre


def members_of(user: User, centre: Centre) -> tuple[list[Member], list[Member]]:
    """Return a centre's memberships in force and those that ended, by name.

    Raises
    ------
    AccessDenied
        When the user does not administer the centre.
    """
    require(user, centre.pk, Right.MANAGE_MEMBERS)
    members = (
        Member.objects.filter(centre=centre)
        .select_related("user")
        .annotate(second_factors=Count("user__authenticator", filter=~Q(user__authenticator__type="recovery_codes")))
    )
    members = members.order_by("user__full_name", "user__username", "role", "id")
    return list(members.filter(in_force())), list(members.exclude(in_force()))


def invitations_of(user: User, centre: Centre) -> list[Invitation]:
    """Return a centre's invitations that wait for an answer.

    Raises
    ------
    AccessDenied
        When the user does not administer the centre.
    """
    require(user, centre.pk, Right.MANAGE_MEMBERS)
    return list(Invitation.objects.filter(centre=centre, answer=Answer.OPEN).select_related("user").order_by("pk"))


def find_invitation(user: User, centre: Centre, key: UUID) -> Invitation:
    """Return an invitation of a centre the user administers.

    Raises
    ------
    AccessDenied, ObjectDoesNotExist
        When the user does not administer the centre, or it has no such invitation.
    """
    require(user, centre.pk, Right.MANAGE_MEMBERS)
    return Invitation.objects.select_related("user", "centre").get(pk=key, centre=centre)


def find_member(user: User, centre: Centre, key: UUID) -> Member:
    """Return a membership of a centre the user administers.

    Raises
    ------
    AccessDenied, ObjectDoesNotExist
        When the user does not administer the centre, or it has no such membership.
    """
    require(user, centre.pk, Right.MANAGE_MEMBERS)
    return Member.objects.select_related("user", "centre").get(pk=key, centre=centre)


def account_of(user: User, member: Member) -> dict[str, int]:
    """Return what an administrator may know of the account behind a membership: how many factors and sessions.

    Raises
    ------
    AccessDenied
        When the user does not administer the member's centre.
    """
    require(user, member.centre_id, Right.MANAGE_MEMBERS)
    factors = Authenticator.objects.filter(user=member.user).exclude(type=Authenticator.Type.RECOVERY_CODES)
    return {"factors": factors.count(), "sessions": UserSession.objects.filter(user=member.user).count()}


def lately_let_in(user: User) -> list[tuple[Member, str]]:
    """Return who was given a role that sees patients in the centres the user oversees, latest first, and by whom.

    The last 90 days; the clinical leads see so whom their administrators let in.
    """
    centres = centres_for(user, Right.OVERSEE_IDENTITY).values("pk")
    since = timezone.now() - dt.timedelta(days=90)
    found = list(
        Member.objects.filter(centre__in=centres, role__in=roles_with(Right.SEE_IDENTITY), created_at__gte=since)
        .select_related("user", "centre")
        .order_by("-created_at", "-id")[:100]
    )
    keys = [member.pk for member in found]
    made = Change.objects.filter(record_type="registry.member", record_id__in=keys, action="created")
    givers = dict(made.values_list("record_id", "actor_name"))
    return [(member, givers.get(member.pk, "")) for member in found]
