"""Taking back what was just entered at the bedside."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db.models import Model
from django.utils import timezone

from procedures.described import session_of
from procedures.models import Epoch, Site
from procedures.services.guard import writing
from procedures.services.responses import refresh_later
from registry.errors import RuleBroken
from registry.models import Record, User
from registry.services.records import remove

# The button stands for a minute; the rest is for the way from the finger to the clock.
WITHIN = dt.timedelta(seconds=75)
_DERIVED = {"acuteresponse"}


def undo(
    *,
    by: User,
    record: Record,
    entered_at: dt.datetime | None = None,
    undone_at: dt.datetime | None = None,
) -> None:
    """Remove a record of a session within a minute of its entry. What it held stays in the change trail.

    ``entered_at`` and ``undone_at`` are when a tablet had it and its undoing, which it may send both much later.

    Raises
    ------
    RuleBroken
        When the minute is over, or something else has been recorded about it since.
    SessionSigned
        When the session is signed.
    """
    name = str(record._meta.verbose_name)
    with writing(session_of(record), by=by, summary=f"Undo of a {name}") as locked:
        if (undone_at or timezone.now()) - (entered_at or record.created_at) > WITHIN:
            raise RuleBroken(f"This {name} is older than a minute. Correct it instead.", fields={})
        if others := _about(record):
            raise RuleBroken(f"This {name} cannot be taken back, because there is already a {others[0]} about it.")
        remove(record, by=by, centre_id=locked.centre_id, reason="Taken back within a minute")
        if isinstance(record, Site | Epoch):
            refresh_later(locked)


def _about(record: Model) -> list[str]:
    """Return what kinds of records hang on this one."""
    found = []
    for relation in record._meta.related_objects:
        model: Any = relation.related_model
        if model._meta.model_name in _DERIVED:
            continue
        if model._default_manager.filter(**{relation.field.name: record.pk}).exists():
            found.append(str(model._meta.verbose_name))
    return found
