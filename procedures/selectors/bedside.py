"""What changed in a session since a tablet last asked, read from the change trail."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from registry.models import Change, TrailHead

# More changes than this are answered as a whole rather than one by one.
MOST_CHANGES = 400


@dataclass(frozen=True)
class Changed:
    """Keys of records by type that were written, and the keys of those deleted."""

    written: dict[str, set[UUID]]
    deleted: set[UUID]


def cursor_of(centre_id: UUID) -> int:
    """Return the place in the centre's change trail. Its writers queue for it, so a smaller number is never late."""
    return TrailHead.objects.filter(centre_id=centre_id).values_list("sequence", flat=True).first() or 0


def changed_since(centre_id: UUID, since: int, until: int, types: Iterable[str]) -> Changed | None:
    """Return what was changed after a cursor, or nothing when there is too much to tell one by one."""
    if not 0 <= since <= until or until - since > MOST_CHANGES:
        return None
    written: dict[str, set[UUID]] = {}
    deleted: set[UUID] = set()
    lines = Change.objects.filter(centre_id=centre_id, sequence__gt=since, sequence__lte=until)
    for record_type, record, action in lines.values_list("record_type", "record_id", "action"):
        if record_type not in types:
            continue
        if action == "deleted":
            deleted.add(record)
        else:
            written.setdefault(record_type, set()).add(record)
    return Changed(written, deleted)
