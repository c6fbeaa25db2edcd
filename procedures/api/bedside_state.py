"""A session as the bedside page keeps it: whole at first, then only what changed."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from procedures.api.bedside_kinds import ENTRIES
from procedures.models import Session
from procedures.selectors.bedside import changed_since
from procedures.selectors.completeness import answers_to_check
from procedures.selectors.sessions import rights_in, session_detail
from procedures.selectors.vocabulary import bedside_vocabulary
from registry.models import User

# Newest first; what a page at the bedside shows is far less.
MOST_RECORDS = 500


def vocabulary() -> dict[str, Any]:
    """Return the words and limits that the page offers, and how its store keeps each kind of record."""
    return bedside_vocabulary() | {
        "collections": {name: one.bedside.collection for name, one in ENTRIES.items()},
        "fields": {name: one.fields() for name, one in ENTRIES.items()},
    }


def whole(user: User, session: Session, cursor: int) -> dict[str, Any]:
    """Return everything of a session, the newest records of each kind first in number."""
    records = {
        entry.bedside.collection: [
            entry.shown(one) for one in entry.kind.of_session(session).order_by("-id")[:MOST_RECORDS]
        ][::-1]
        for entry in ENTRIES.values()
    }
    return _common(user, session, cursor) | {"whole": True, "vocabulary": vocabulary(), "records": records}


def since(user: User, session: Session, earlier: int, cursor: int) -> dict[str, Any] | None:
    """Return what changed after an earlier cursor, or nothing when the page should fetch everything again."""
    entries = {entry.kind.key: entry for entry in ENTRIES.values()}
    changed = changed_since(session.centre_id, earlier, cursor, entries)
    if changed is None:
        return None
    records = {
        entries[name].bedside.collection: [
            entries[name].shown(one) for one in entries[name].kind.of_session(session).filter(pk__in=keys)
        ]
        for name, keys in changed.written.items()
    }
    removed = [str(key) for key in changed.deleted]
    return _common(user, session, cursor) | {"whole": False, "records": records, "removed": removed}


def _common(user: User, session: Session, cursor: int) -> dict[str, Any]:
    detail = session_detail(user).get(pk=session.pk)
    return {
        "cursor": cursor,
        "me": str(user.pk),
        "rights": rights_in(user, session),
        "completeness": [asdict(answer) for answer in answers_to_check(detail)],
    }
