"""One act, one link: what an act writes to a record and to what is linked with it, kept until the act ends."""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db import models

from registry.models.trailed import members_of, trail_of

Content = dict[str, Any]


@dataclass
class Group:
    """What an act did to one record, and to the records told of in its links."""

    head: models.Model
    action: str = "changed"
    content: Content = field(default_factory=lambda: {"new": {}, "old": {}})


@dataclass
class Gathered:
    """The groups of an act, by kind and key of their head."""

    groups: dict[tuple[str, UUID], Group] = field(default_factory=dict)

    def take(self, action: str, record: models.Model, content: Content) -> bool:
        """Keep what was done to a record; False when it has a link of its own."""
        within = trail_of(type(record)).within
        if within:
            head: Any = getattr(record, within)
            told = self._group(head).content.setdefault("with", {}).setdefault(record._meta.label_lower, {})
            # Whose it is, the link says itself.
            new = {name: value for name, value in content["new"].items() if name != f"{within}_id"}
            told[str(record.pk)] = {"action": action, **content, "new": new}
            return True
        if not members_of(type(record)):
            return False
        group = self._group(record)
        if group.content["new"] or group.content["old"] or action == "deleted":
            return False  # twice in one act: two links
        group.head, group.action = record, action
        group.content |= content
        return True

    def _group(self, head: models.Model) -> Group:
        return self.groups.setdefault((head._meta.label_lower, head.pk), Group(head))


gathering: ContextVar[Gathered | None] = ContextVar("what an act wrote so far", default=None)
