"""Walking along a centre's chain: altered, missing and reordered links, and a cut tail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import DataError

from registry.models import Change, TrailHead
from registry.trail.canonical import link
from registry.trail.content import BLANK
from registry.trail.erasures import erasures, left_of
from registry.trail.heads import Head
from registry.trail.record import parts_of

START = "0" * 64
_CHUNK = 2000
_UNREADABLE = (ValueError, TypeError, AttributeError, DataError)


@dataclass(frozen=True)
class _Unreadable:
    """A link of which a column holds what cannot be of its kind."""

    sequence: int


@dataclass
class Stretch:
    """Links of a centre from one number to another; with ``last`` none, to the end of the chain.

    ``digest`` is of the link before the first; none is looked up in the trail. ``weight`` is about how many
    whole pieces of work it is.
    """

    centre_id: UUID
    first: int = 1
    last: int | None = None
    digest: str | None = None
    exported: Sequence[Head] = ()
    weight: float = 0.0

    def faults(self) -> Iterator[str]:
        """Yield one sentence for each broken place."""
        where = f"centre {self.centre_id}"
        wanted = {one.sequence: one for one in self.exported}
        expected, digest = self.first, START if self.first == 1 else self.digest or self._digest_before()
        blanked = erasures().blanked
        while True:
            for change in _links(self.centre_id, expected - 1 if expected > 1 else -1, self.last):
                here = f"{where}, link {change.sequence}"
                if change.sequence != expected:
                    missing = expected if change.sequence == expected + 1 else f"{expected} to {change.sequence - 1}"
                    yield f"{here}: link {missing} is missing."
                if isinstance(change, _Unreadable):
                    yield f"{here}: has been altered, its columns cannot be read."
                    expected, digest = change.sequence + 1, ""
                    continue
                what = f" It says: {change.action} {change.record_type} {change.record_id}."
                if digest and change.previous_digest != digest:
                    yield f"{here}: does not follow from the link before it.{what}"
                if change.values == BLANK:
                    if blanked.get((self.centre_id, change.sequence)) != left_of(change):
                        yield f"{here}: has been blanked or altered, and no erasure accounts for it.{what}"
                elif link(change.previous_digest, parts_of(change)) != change.digest:
                    yield f"{here}: has been altered.{what}"
                if (seen := wanted.pop(change.sequence, None)) and seen.digest != change.digest:
                    yield f"{here}: is not the link that was exported on {seen.exported_at}; the trail was rewritten."
                expected, digest = change.sequence + 1, change.digest
            if self.last is not None:
                if expected <= self.last:
                    missing = self.last if expected == self.last else f"{expected} to {self.last}"
                    yield f"{where}, link {self.last + 1}: link {missing} is missing."
                return
            # Asked after the links: a writer may have added some meanwhile, and each moved the head.
            head = TrailHead.objects.filter(centre_id=self.centre_id).first()
            if head is None or head.sequence < expected or not self._has(head.sequence):
                break
        for sequence, one in sorted(wanted.items()):
            if sequence and not self._has(sequence, digest=one.digest):
                yield (
                    f"{where}: link {sequence}, exported on {one.exported_at}, is no longer there; "
                    f"the trail ends at link {expected - 1}."
                )
        if head is None:
            if expected > 1:
                yield f"{where}: {expected - 1} links belong to a centre whose head is missing."
        elif expected != head.sequence + 1 or (digest and digest != (head.digest if head.sequence else START)):
            yield f"{where}: the chain ends at link {expected - 1}, its head says {head.sequence}."

    def _has(self, sequence: int, **digest: str) -> bool:
        return Change.objects.filter(centre_id=self.centre_id, sequence=sequence, **digest).exists()

    def _digest_before(self) -> str:
        before = Change.objects.filter(centre_id=self.centre_id, sequence=self.first - 1)
        return before.values_list("digest", flat=True).first() or ""


def _links(centre: UUID, after: int, last: int | None) -> Iterator[Change | _Unreadable]:
    """Yield a centre's links in order, some at a time; one that cannot be read does not hide the others."""
    links = Change.objects.filter(centre_id=centre).order_by("sequence")
    if last is not None:
        links = links.filter(sequence__lte=last)
    numbers, start = links.values_list("sequence", flat=True), after
    while chunk := list(numbers.filter(sequence__gt=start)[:_CHUNK]):
        among = links.filter(sequence__gte=chunk[0], sequence__lte=chunk[-1])
        try:
            yield from list(among)
        except _UNREADABLE:
            for number in chunk:
                try:
                    yield links.get(sequence=number)
                except _UNREADABLE:
                    yield _Unreadable(number)
        start = chunk[-1]
