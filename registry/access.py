"""The one place that says which role may do what in a centre.

Services call :func:`require`; selectors call :func:`centres_for` and filter by it, so that an object of another
centre is not found rather than forbidden.
"""

from __future__ import annotations

import datetime as dt
from enum import Enum, auto
from uuid import UUID

from django.db.models import Q, QuerySet
from django.utils import timezone

from registry.errors import AccessDenied
from registry.log_context import note
from registry.models import Centre, Member, Role, User


class Right(Enum):
    """Something a member may be allowed to do."""

    SEE_SESSIONS = auto()
    WRITE_SESSIONS = auto()
    DECIDE = auto()
    SIGN = auto()
    SEE_IDENTITY = auto()
    WRITE_REGISTRY = auto()
    SEE_AUDIT = auto()
    EXPORT_COHORT = auto()
    RECALL = auto()
    PLAN_FOLLOW_UP = auto()
    MANAGE_MEMBERS = auto()
    IMPORT_TABLES = auto()
    SEE_QUALITY = auto()
    RAISE_QUERIES = auto()
    ANSWER_QUERIES = auto()
    OVERSEE_IDENTITY = auto()
    WATCH_SERVICE = auto()
    ERASE_PATIENTS = auto()
    COPY_PATIENTS = auto()


_QUALITY = {Right.SEE_QUALITY, Right.ANSWER_QUERIES}
_BEDSIDE = {Right.SEE_SESSIONS, Right.WRITE_SESSIONS, Right.SEE_IDENTITY, Right.WRITE_REGISTRY} | _QUALITY
RIGHTS: dict[str, set[Right]] = {
    Role.LAB_STAFF: _BEDSIDE,
    Role.PHYSICIAN: _BEDSIDE | {Right.DECIDE, Right.SIGN, Right.RAISE_QUERIES, Right.RECALL},
    Role.CLINICAL_LEAD: _BEDSIDE
    | {Right.DECIDE, Right.SIGN, Right.SEE_AUDIT, Right.EXPORT_COHORT, Right.IMPORT_TABLES, Right.RAISE_QUERIES}
    | {Right.RECALL, Right.PLAN_FOLLOW_UP, Right.OVERSEE_IDENTITY, Right.ERASE_PATIENTS, Right.COPY_PATIENTS},
    Role.RESEARCHER: {Right.SEE_AUDIT, Right.EXPORT_COHORT},
    Role.ADMINISTRATOR: {Right.MANAGE_MEMBERS, Right.WATCH_SERVICE},
}
_REFUSALS = {
    Right.SEE_SESSIONS: "Your role cannot see sessions.",
    Right.WRITE_SESSIONS: "Your role cannot change sessions.",
    Right.DECIDE: "Only a physician can record the decision.",
    Right.SIGN: "Only a physician can sign a session.",
    Right.SEE_IDENTITY: "Your role cannot see patient identifiers.",
    Right.WRITE_REGISTRY: "Your role cannot change patient records.",
    Right.SEE_AUDIT: "Your role cannot see the audit.",
    Right.EXPORT_COHORT: "Your role cannot export cohorts.",
    Right.RECALL: "Only a physician can see the recall list.",
    Right.PLAN_FOLLOW_UP: "Only the clinical lead can change the follow-up schedule.",
    Right.MANAGE_MEMBERS: "Only an administrator can manage members.",
    Right.WATCH_SERVICE: "Only an administrator can see how the service is doing.",
    Right.IMPORT_TABLES: "Only a clinical lead can import tables.",
    Right.SEE_QUALITY: "Your role cannot see individual records, so it has no list of things to complete.",
    Right.RAISE_QUERIES: "Only a physician can raise, close and reopen a query.",
    Right.ANSWER_QUERIES: "Your role cannot answer queries.",
    Right.OVERSEE_IDENTITY: "Only the clinical lead can see duplicates and the access log.",
    Right.ERASE_PATIENTS: "Only the clinical lead can erase a patient.",
    Right.COPY_PATIENTS: "Only the clinical lead can make a patient's copy of their data.",
}


def roles_with(right: Right) -> list[str]:
    """Return the roles that carry a right."""
    return [role for role, rights in RIGHTS.items() if right in rights]


def in_force(path: str = "", on: dt.date | None = None) -> Q:
    """Return the condition that a membership, reached by the path, has not ended by a day, or by today.

    Filter by it in the same ``filter`` call as the rest of the membership, so that all of it is said of one row.
    """
    return Q(**{f"{path}ended_on__isnull": True}) | Q(**{f"{path}ended_on__gt": on or timezone.localdate()})


def closed_to(user: User) -> frozenset[UUID]:
    """Return the centres whose rules this user's log-in does not meet, such as a second factor; they give no right.

    ``registry/login/middleware.py`` notes them on the user of a request. A rule of a centre so binds within it.
    """
    return user.closed_centres


def centres_for(user: User, right: Right) -> QuerySet[Centre]:
    """Return the centres in which the user holds the right."""
    found = Centre.objects.filter(in_force("members__"), members__user=user, members__role__in=roles_with(right))
    closed = closed_to(user)
    return (found.exclude(pk__in=closed) if closed else found).distinct()


def centres_of(user: User) -> QuerySet[Centre]:
    """Return the centres in which the user holds any role."""
    return Centre.objects.filter(in_force("members__"), members__user=user).distinct()


def people_with(centre_id: UUID, right: Right) -> QuerySet[User]:
    """Return who holds the right in the centre."""
    return User.objects.filter(
        in_force("memberships__"), memberships__centre=centre_id, memberships__role__in=roles_with(right)
    ).distinct()


def allowed(user: User, centre_id: UUID, right: Right) -> bool:
    """Say whether the user holds the right in the centre."""
    held = Member.objects.filter(in_force(), user=user, centre_id=centre_id, role__in=roles_with(right))
    return centre_id not in closed_to(user) and held.exists()


def rights_anywhere(user: User) -> set[Right]:
    """Return every right the user holds in some centre; for menus only."""
    roles = (
        Member.objects.filter(in_force(), user=user).exclude(centre__in=closed_to(user)).values_list("role", flat=True)
    )
    return set().union(*(RIGHTS[role] for role in roles))


def require(user: User, centre_id: UUID, right: Right) -> None:
    """Refuse with a sentence unless the user holds the right in the centre.

    Raises
    ------
    AccessDenied
        When no membership of the user in that centre carries the right.
    """
    note(centre=centre_id)
    if centre_id in closed_to(user):
        raise AccessDenied("This centre requires a second factor. Set one up on the page of your account.")
    if not allowed(user, centre_id, right):
        raise AccessDenied(_REFUSALS[right])


def require_somewhere(user: User, right: Right) -> list[Centre]:
    """Return the centres in which the user holds the right; refuse with a sentence when there is none.

    Raises
    ------
    AccessDenied
        When no membership of the user carries the right.
    """
    centres = list(centres_for(user, right))
    if not centres:
        raise AccessDenied(_REFUSALS[right])
    return centres


def chosen_centre(user: User, right: Right, code: str | None) -> tuple[Centre, list[Centre]]:
    """Return the centre of that short name, or the first when none is named, and all in which the user holds the right.

    Raises
    ------
    AccessDenied
        When there is none.
    ObjectDoesNotExist
        When the one named is not among them; another one is never shown in its place.
    """
    centres = require_somewhere(user, right)
    for centre in centres:
        if not code or centre.code == code:
            return centre, centres
    raise Centre.DoesNotExist("This centre was not found.")
