"""Writing centres, users and memberships. Used at installation and by administrators."""

from __future__ import annotations

from django.db import transaction

from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import Centre, Member, Role, User
from registry.services.records import put


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
def add_member(*, by: User | None, centre: Centre, user: User, role: str) -> Member:
    """Give a user a role in a centre; ``by=None`` is the command line.

    Raises
    ------
    RuleBroken
        When the role is unknown.
    AccessDenied
        When the actor is no administrator of the centre.
    """
    if by is not None:
        require(by, centre.pk, Right.MANAGE_MEMBERS)
    if role not in Role.values:
        raise RuleBroken(f"'{role}' is no role; the roles are {', '.join(Role.values)}.")
    member = Member.objects.filter(user=user, centre=centre, role=role).first()
    if member is None:
        member, _ = put(
            Member, by=by, centre_id=centre.pk, values={"user": user, "role": role}, scope={"centre": centre}
        )
    return member
