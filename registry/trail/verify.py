"""Checking the change trail: every chain link by link, and every row against its links, both ways.

The whole is cut into pieces that know nothing of each other, so that several processes can share them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.apps import apps
from django.db import models
from django.db.models import Q

from registry.models import Change, TrailHead
from registry.models.trailed import trail_of
from registry.trail.chain import Stretch
from registry.trail.heads import Head, Verified
from registry.trail.rows import bound_models, faults_of_absent, faults_of_rows, faults_of_unlinked, keys_of

# A piece takes about a second.
_LINKS, _ROWS = 10_000, 2_000
# An incremental run compares one part in so many of the rows that nobody has written to since the last.
PARTS = 16


@dataclass(frozen=True)
class Rows:
    """Rows of a kind, to be compared with their links."""

    kind: str
    keys: tuple[UUID, ...]

    @property
    def weight(self) -> float:
        """Return how many whole pieces it is."""
        return len(self.keys) / _ROWS

    def faults(self) -> Iterator[str]:
        """Yield one sentence for each row that is not what its links say."""
        return faults_of_rows(apps.get_model(self.kind), list(self.keys))


@dataclass(frozen=True)
class Absent:
    """The records of a kind that have links and no row."""

    kind: str
    weight = 0.0

    def faults(self) -> Iterator[str]:
        """Yield one sentence for each that was removed past the services."""
        return faults_of_absent(apps.get_model(self.kind))


@dataclass(frozen=True)
class Unlinked:
    """The records of a kind that have a row and no link."""

    kind: str
    weight = 0.0

    def faults(self) -> Iterator[str]:
        """Yield one sentence for each that was added past the services."""
        return faults_of_unlinked(apps.get_model(self.kind))


Piece = Stretch | Rows | Absent | Unlinked


def faults(exported: Sequence[Head] = ()) -> Iterator[str]:
    """Yield one sentence for each broken place, the chains first.

    A chain recomputed from its beginning is consistent in itself; only the rows and heads exported before reveal it.
    """
    for piece in pieces(exported):
        if isinstance(piece, str):
            yield piece
        else:
            yield from piece.faults()


def chain_faults(exported: Sequence[Head] = ()) -> Iterator[str]:
    """Yield the faults of the chains alone."""
    for piece in chain_pieces(exported):
        yield from [piece] if isinstance(piece, str) else piece.faults()


def pieces(exported: Sequence[Head] = (), since: Verified | None = None) -> Iterator[Piece | str]:
    """Yield the pieces of the work, and a sentence where a fault shows already.

    With ``since`` the chains are walked from there on, and of the rows those are compared that a link has spoken of
    since, and one part of the others. Rows added or removed past the services are looked for among all.
    """
    yield from chain_pieces(exported, since)
    for model in bound_models():
        kind = model._meta.label_lower
        yield Absent(kind)
        # Rows told of in the links of another record are compared with it.
        if not trail_of(model).within:
            yield from (Rows(kind, keys) for keys in _bundled(_chosen(model, since)))
            if since is not None:
                yield Unlinked(kind)


def chain_pieces(exported: Sequence[Head] = (), since: Verified | None = None) -> Iterator[Stretch | str]:
    """Yield the stretches of every centre's chain."""
    try:
        centres = set(Change.objects.order_by().values_list("centre_id", flat=True).distinct())
    except ValueError:
        centres = set()
        yield "A link names a centre that cannot be one; it is missing from the centre it belongs to."
    ends = dict(TrailHead.objects.values_list("centre_id", "sequence"))
    known: dict[UUID, list[Head]] = {}
    for head in exported:
        known.setdefault(head.centre_id, []).append(head)
    begun = {head.centre_id: head for head in since.heads} if since else {}
    for centre in sorted(centres | ends.keys() | known.keys() | begun.keys()):
        yield from _stretches(centre, ends.get(centre, 0), known.get(centre, []), begun.get(centre))


def _stretches(centre: UUID, end: int, exported: list[Head], begun: Head | None) -> Iterator[Stretch]:
    first = 1
    if begun is not None and begun.sequence:
        # The link itself is looked at again: it must still be the one that was verified.
        first, exported = begun.sequence, [*exported, begun]
    while end - first >= 2 * _LINKS:
        last = first + _LINKS - 1
        yield Stretch(
            centre, first, last, weight=1.0, exported=tuple(one for one in exported if first <= one.sequence <= last)
        )
        first = last + 1
    # The last stretch also looks up the exported links before the first, which are not walked again.
    before = begun.sequence if begun else 0
    weight = max(end - first + 1, 0) / _LINKS
    yield Stretch(
        centre, first, weight=weight, exported=tuple(one for one in exported if not before <= one.sequence < first)
    )


def _chosen(model: type[models.Model], since: Verified | None) -> Iterable[UUID]:
    if since is None:
        return keys_of(model)
    touched = _touched(model, {head.centre_id: head.sequence for head in since.heads})
    return (key for key in keys_of(model) if key.int % PARTS == since.part % PARTS or key in touched)


def _touched(model: type[models.Model], heads: Mapping[UUID, int]) -> set[UUID]:
    """Return the records that a link has spoken of since."""
    later = ~Q(centre_id__in=heads)
    for centre, sequence in heads.items():
        later |= Q(centre_id=centre, sequence__gt=sequence)
    links = Change.objects.filter(later, record_type=model._meta.label_lower)
    return set(links.order_by().values_list("record_id", flat=True).distinct())


def _bundled(keys: Iterable[UUID]) -> Iterator[tuple[UUID, ...]]:
    bundle: list[UUID] = []
    for key in keys:
        bundle.append(key)
        if len(bundle) == _ROWS:
            yield tuple(bundle)
            bundle = []
    if bundle:
        yield tuple(bundle)
