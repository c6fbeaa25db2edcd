"""How far the rows of a table are bound to the change trail, declared in its model: ``trail = loose(...)``.

Without a declaration every row has its links and every field is what they say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

from django.apps import apps
from django.db import models


@dataclass(frozen=True)
class Trail:
    """What the links say of a table.

    ``untrailed`` is why no row of it has links. ``loose`` are fields that change without one, with the reason. Rows of
    ``linkless`` may be made and removed without one, because of ``why``. ``within`` names the relation to the record
    whose links also tell of these rows: an epoch and its metrics are one act and one link.
    """

    untrailed: str = ""
    loose: Mapping[str, str] = field(default_factory=dict)
    linkless: models.Q | None = None
    why: str = ""
    within: str = ""

    def and_loose(self, names: str, why: str) -> Trail:
        """Return the same with further loose fields, for another reason."""
        return replace(self, loose={**self.loose, **dict.fromkeys(names.split(), why)})


FOLLOWS = "worked out again from records that have links"
UNDER_WAY = "says how far something is, not what is true of a patient"


def untrailed(why: str) -> Trail:
    """No row of the table has a link."""
    return Trail(untrailed=why)


def loose(
    names: str, why: str, *, linkless: models.Q | None = None, linkless_because: str = "", within: str = ""
) -> Trail:
    """Fields that change without a link, rows that have none, and the relation to the record they are linked with."""
    return Trail("", dict.fromkeys(names.split(), why), linkless, linkless_because, within)


def trail_of(model: type[models.Model]) -> Trail:
    """Return what a model declares."""
    declared = getattr(model, "trail", None)
    return declared if isinstance(declared, Trail) else Trail()


@cache
def members_of(model: type[models.Model]) -> tuple[type[models.Model], ...]:
    """Return the models whose rows are told of in the links of this one's."""
    return tuple(
        one
        for one in apps.get_models()
        if (within := trail_of(one).within) and one._meta.get_field(within).related_model is model
    )
