"""Writing what stood in the way."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.utils import timezone

from procedures.models import Difficulty, Session, Site, Tributary
from procedures.services.guard import put_in, site_in, writing
from registry.models import User


def note_difficulty(
    *,
    by: User,
    session: Session,
    reason: str,
    text: str = "",
    tributary: Tributary | None = None,
    site: Site | None = None,
    noted_at: dt.datetime | None = None,
    key: UUID | None = None,
    version: int | None = None,
    amendment_reason: str = "",
) -> Difficulty:
    """Note a difficulty with a tributary or a site of the session, or with the session as a whole.

    Raises
    ------
    RuleBroken
        When the reason is "other" and nothing is said in words.
    ObjectDoesNotExist
        When the tributary or the site is of another session.
    """
    with writing(session, by=by, summary="Difficulty", reason=amendment_reason) as locked:
        if tributary is not None and tributary.session_id != locked.pk:
            raise Tributary.DoesNotExist("The tributary was not found in this session.")
        if site is not None:
            site = site_in(locked, site)
        stored = Difficulty.objects.filter(pk=key).first() if key else None
        values = {
            "reason": reason,
            "text": " ".join(text.split()),
            "tributary": tributary,
            "site": site,
            "noted_at": noted_at or (stored.noted_at if stored else timezone.now()),
            "author": stored.author if stored else by,
        }
        return put_in(locked, Difficulty, values, by=by, key=key, version=version, reason=amendment_reason)
