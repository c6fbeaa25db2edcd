"""What the description of a session's record adds: its name in the signed content, and how a tablet enters it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

from django.db.models import QuerySet

from procedures.models import Session
from registry.described.kind import KINDS, RecordKind
from registry.models import Record


@dataclass(frozen=True)
class Bedside:
    """A kind of entry of the bedside page: its name, and the collection the page keeps it in.

    ``once`` are fields that a session has once only: two tablets without a line may both enter the same thing. With
    ``undo`` an entry can be taken back within a minute.
    """

    name: str
    collection: str
    once: tuple[str, ...] = ()
    undo: bool = False


@dataclass(frozen=True, eq=False)
class SessionKind(RecordKind):
    """A kind of record of a session. ``signed_as`` names its records in the content that is signed."""

    signed_as: str = ""
    bedside: Bedside | None = None

    @property
    def session(self) -> str:
        """The lookup from a record to its session."""
        return self.centre.removesuffix("centre").removesuffix("__") or "pk"

    def of_session(self, session: Session) -> QuerySet[Any]:
        """Return the records of a session."""
        return self.records().filter(**{self.session: session.pk})


def session_kinds() -> list[SessionKind]:
    """Return the kinds of record that a session has."""
    return [kind for kind in KINDS.values() if isinstance(kind, SessionKind)]


def session_of(record: Record) -> Session:
    """Return the session a record belongs to."""
    kind = KINDS[record._meta.label_lower]
    assert isinstance(kind, SessionKind)  # noqa: S101 - only records of a session are asked for
    found: Any = record
    for step in kind.session.split("__"):
        found = getattr(found, step)
    return cast(Session, found)
