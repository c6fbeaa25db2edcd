"""What a link says, and what its links together say of one record."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from registry.models import Change


@dataclass
class Told:
    """What the links of one record say: its last values, and whether it is there.

    ``born`` says whether they begin with its creation, so that a field they do not mention was empty; ``last`` is the
    last of them. ``unread`` says that one of them could not be read, so that the values are not known.
    """

    values: dict[str, Any] = field(default_factory=dict)
    there: bool = True
    born: bool = False
    unread: bool = False
    last: Change | None = None


def values_of(change: Change) -> dict[str, Any]:
    """Return what a link holds: values before and after, by name.

    Raises
    ------
    ValueError
        When it holds no such thing.
    """
    values = json.loads(change.values)
    if not isinstance(values, dict) or not isinstance(values.get("new"), dict):
        raise ValueError("no values of a link")
    return values


def told_by(links: Iterable[Change]) -> Told:
    """Return what the links of one record, in their order, say of it."""
    told = Told()
    for change in links:
        told.last = change
        if change.action == "deleted":
            told = Told(there=False, born=told.born, unread=told.unread, last=change)
            continue
        told.there = True
        try:
            new = values_of(change)["new"]
        except ValueError:
            told.unread = True
            continue
        if change.action == "created":
            told.born, told.values, told.unread = True, {}, False
        told.values.update(new)
    return told
