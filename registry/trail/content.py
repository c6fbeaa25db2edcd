"""What a link says, and what its links together say of one record."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from registry.models import Change
from registry.trail.sealing import Closed, keys_of, owners_of, unsealed

# What stands in place of the values of a link written before links were sealed, once its patient is erased.
BLANK = "(erased)"


@dataclass(frozen=True)
class Line:
    """What one link says of one record, which it names by kind and key.

    ``lost`` is why it cannot be read: ``erased``, ``closed`` or ``damaged``.
    """

    change: Change
    kind: str
    record: UUID
    action: str
    new: dict[str, Any] = field(default_factory=dict)
    old: dict[str, Any] = field(default_factory=dict)
    reason: str = ""
    lost: str = ""


@dataclass
class Told:
    """What the links of one record say: its last values, and whether it is there.

    ``born`` says whether they begin with its creation, so that a field they do not mention was empty; ``last`` is the
    last of them. ``lost`` says why one of them could not be read, so that the values are not known.
    """

    values: dict[str, Any] = field(default_factory=dict)
    there: bool = True
    born: bool = False
    lost: str = ""
    last: Line | None = None


def keys_for(changes: Iterable[Change]) -> dict[UUID, AESGCM]:
    """Return the keys that open these links, in one query."""
    owners: set[UUID] = set()
    for change in changes:
        try:
            owners.update(owners_of(change.values))
        except ValueError:
            continue
    return keys_of(owners) if owners else {}


def contents(change: Change, keys: dict[UUID, AESGCM]) -> dict[str, Any]:
    """Return all that a link holds: ``new`` and ``old`` values by name, ``reason``, and ``with`` what is linked.

    Raises
    ------
    Closed
        When it is sealed under a key that is not there, or was blanked.
    ValueError
        When it holds no such thing.
    """
    if change.values == BLANK:
        raise Closed((), missing=True)
    text = change.values
    clear = not owners_of(text)
    held = json.loads(text if clear else unsealed(text, link=change.pk, keys=keys))
    if not isinstance(held, dict) or not all(isinstance(held.get(name), dict) for name in ("new", "old")):
        raise ValueError("no values of a link")
    return held | ({"reason": change.reason} if clear else {})


@dataclass(frozen=True)
class Opened:
    """A link with what it holds, read once; ``lost`` is why it cannot be read."""

    change: Change
    held: dict[str, Any] = field(default_factory=dict)
    lost: str = ""

    def line(self) -> Line:
        """Return what it says of its own record."""
        change, held = self.change, self.held
        about = (change, change.record_type, change.record_id, change.action)
        return Line(*about, lost=self.lost) if self.lost else Line(*about, held["new"], held["old"], held["reason"])

    def line_about(self, kind: str, key: UUID) -> Line | None:
        """Return what it says of a member; nothing where it does not mention it. A lost one may have."""
        if self.lost:
            return Line(self.change, kind, key, self.change.action, lost=self.lost)
        told = self.held.get("with", {}).get(kind, {}).get(str(key))
        if told is None:
            return None
        return Line(self.change, kind, key, told["action"], told["new"], told["old"], self.held["reason"])

    def members(self) -> dict[str, list[UUID]]:
        """Return the keys of the members it mentions, by kind."""
        return {kind: [UUID(key) for key in told] for kind, told in self.held.get("with", {}).items()}


def opened(changes: Sequence[Change]) -> list[Opened]:
    """Read links, in their order; one that cannot be read hides no other."""
    keys = keys_for(changes)
    return [_opened(change, keys) for change in changes]


def _opened(change: Change, keys: dict[UUID, AESGCM]) -> Opened:
    try:
        return Opened(change, contents(change, keys))
    except Closed as error:
        return Opened(change, lost="erased" if error.missing else "closed")
    except ValueError:
        return Opened(change, lost="damaged")


def told_by(lines: Iterable[Line]) -> Told:
    """Return what the links of one record, in their order, say of it."""
    told = Told()
    for line in lines:
        told.last = line
        if line.action == "deleted":
            told = Told(there=False, born=told.born, lost=told.lost, last=line)
            continue
        told.there = True
        if line.action == "created":
            told.born, told.values, told.lost = True, {}, ""
        if line.lost:
            told.lost = line.lost
        told.values.update(line.new)
    return told
