"""What changed in a session since a tablet last asked, read from the change trail."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import models

from registry.models import Change, TrailHead
from registry.models.trailed import members_of, trail_of

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
    types = set(types)
    wanted = types | _heads_of(types)
    written: dict[str, set[UUID]] = {}
    deleted: set[UUID] = set()
    lines = Change.objects.filter(centre_id=centre_id, sequence__gt=since, sequence__lte=until)
    for record_type, record, action in lines.values_list("record_type", "record_id", "action"):
        if record_type not in wanted:
            continue
        if action == "deleted":
            deleted.add(record)
        else:
            written.setdefault(record_type, set()).add(record)
    for record_type in list(written):
        model: type[models.Model] = apps.get_model(record_type)
        for member in members_of(model):
            if (kind := member._meta.label_lower) in types:
                written.setdefault(kind, set()).update(_linked_with(member, written[record_type]))
    return Changed({kind: keys for kind, keys in written.items() if kind in types}, deleted)


def _heads_of(types: Iterable[str]) -> set[str]:
    """Return the kinds in whose links rows of these kinds are told of."""
    found = set()
    for model in map(apps.get_model, types):
        if within := trail_of(model).within:
            related: Any = model._meta.get_field(within).related_model
            found.add(related._meta.label_lower)
    return found


def _linked_with(member: type[models.Model], heads: set[UUID]) -> Iterable[UUID]:
    """Return the rows that are told of in the links of these records. Which of them changed, a link does not say."""
    declared = trail_of(member)
    rows = member._default_manager.filter(**{f"{declared.within}_id__in": heads})
    if declared.linkless is not None:
        rows = rows.exclude(declared.linkless)
    return rows.values_list("pk", flat=True)
