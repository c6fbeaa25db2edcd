"""The whole content of a session as plain values: what a signature covers, and what a report prints."""

from __future__ import annotations

from typing import Any

from procedures.described import session_kinds
from procedures.models import Session
from registry.trail.record import state_of


def snapshot(session: Session) -> dict[str, Any]:
    """Return every record of the session. Derived numbers are included: they are what the signer saw."""
    content = state_of(session)
    content.pop("signed_content", None)
    related = {
        kind.signed_as: [state_of(record) for record in kind.of_session(session)]
        for kind in session_kinds()
        if kind.signed_as
    }
    return {"session": content} | related
