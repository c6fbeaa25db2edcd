"""What every write to a session passes: the right, the lock, and the signature."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TypeVar
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from procedures.models import Amendment, Session, Site, Status
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import Record, User
from registry.services.records import put
from registry.trail.act import act

R = TypeVar("R", bound=Record)


class SessionSigned(RuleBroken):
    """The session is signed; a change needs a reason."""

    code = "session_signed"
    status = 409


@contextmanager
def writing(
    session: Session, *, by: User, summary: str, right: Right | None = Right.WRITE_SESSIONS, reason: str = ""
) -> Iterator[Session]:
    """Open a transaction on a session for one act of writing, and yield the locked session.

    On a signed session an act that changes something becomes an amendment when a reason is given, and is refused when
    none is. An act that changes nothing, such as an entry sent again by a tablet that missed the answer, passes.
    ``right`` is None for a background run that ends what a person with the right began.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    SessionSigned
        When the session is signed and no reason is given.
    """
    if right is not None:
        require(by, session.centre_id, right)
    with transaction.atomic():
        locked = Session.objects.select_for_update(no_key=True).get(pk=session.pk)
        signed = locked.status == Status.SIGNED
        with act() as done:
            yield locked
        # Whether anything changed is what this act wrote into the change trail; others write to it at the same time.
        # Raising here rolls all of it back.
        if signed and done.wrote():
            _amend(locked, by=by, summary=summary, reason=reason.strip())


def put_in(
    locked: Session,
    model: type[R],
    values: Mapping[str, Any],
    *,
    by: User,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
    **owner: Record,
) -> R:
    """Write a record of the locked session by :func:`registry.services.records.put`.

    ``owner`` names whose it is where that is not the session itself, as ``site=site``.
    """
    scope = owner or {"session": locked}
    record, _ = put(
        model, by=by, centre_id=locked.centre_id, scope=scope, values=values, key=key, version=version, reason=reason
    )
    return record


def site_in(locked: Session, site: Site, *, reached: bool = False, field: str = "site") -> Site:
    """Return the site as it stands now in the locked session; with ``reached`` only where the lead has been.

    Raises
    ------
    ObjectDoesNotExist
        When the site is of another session.
    RuleBroken
        When it is recorded as not reached, so that nothing can have been paced or measured there.
    """
    found = Site.objects.filter(pk=site.pk, session=locked).first()
    if found is None:
        raise Site.DoesNotExist("The site was not found in this session.")
    if reached and not found.reached:
        sentence = (
            f"{found.label} is recorded as not reached. Choose a site that was reached, or correct the site first."
        )
        raise RuleBroken(sentence, fields={field: [sentence]})
    return found


def _amend(session: Session, *, by: User, summary: str, reason: str) -> None:
    if not reason:
        raise SessionSigned(
            "This session is signed. Give a reason to record the change as an amendment.",
            fields={"amendment_reason": ["Enter the reason for changing the signed session."]},
        )
    values = {"made_by": by, "made_at": timezone.now(), "reason": reason, "summary": summary[:200]}
    put_in(session, Amendment, values, by=by)
