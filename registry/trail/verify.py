"""Checking the change trail link by link, and against heads that were exported before."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from django.db import DataError

from registry.models import Change, TrailHead
from registry.trail.canonical import link
from registry.trail.heads import Head
from registry.trail.record import parts_of

START = "0" * 64
_CHUNK = 2000


@dataclass
class _Unreadable:
    """A link of which a column holds what cannot be of its kind."""

    sequence: int


def faults(exported: list[Head] | None = None) -> Iterator[str]:
    """Yield one sentence for each broken place, first things first: altered, missing, out of order, or a cut tail.

    A chain recomputed from its beginning is consistent in itself; only heads exported before reveal it.
    """
    try:
        centres = set(Change.objects.order_by().values_list("centre_id", flat=True).distinct())
    except ValueError:
        centres = set()
        yield "A link names a centre that cannot be one; it is missing from the centre it belongs to."
    heads = {head.centre_id: head for head in TrailHead.objects.order_by("centre_id")}
    known: dict[UUID, list[Head]] = {}
    for head in exported or []:
        known.setdefault(head.centre_id, []).append(head)
    for centre in sorted(centres | heads.keys() | known.keys()):
        yield from _faults_of(centre, heads.get(centre), known.get(centre, []))


def _faults_of(centre: UUID, head: TrailHead | None, exported: list[Head]) -> Iterator[str]:
    where = f"centre {centre}"
    wanted = {one.sequence: one for one in exported}
    expected, digest = 1, START
    for change in _links(centre):
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
        if link(change.previous_digest, parts_of(change)) != change.digest:
            yield f"{here}: has been altered.{what}"
        if (seen := wanted.pop(change.sequence, None)) and seen.digest != change.digest:
            yield f"{here}: is not the link that was exported on {seen.exported_at}; the trail was rewritten."
        expected, digest = change.sequence + 1, change.digest
    for sequence, one in sorted(wanted.items()):
        if sequence:
            yield (
                f"{where}: link {sequence}, exported on {one.exported_at}, is no longer there; "
                f"the trail ends at link {expected - 1}."
            )
    if head is None:
        if expected > 1:
            yield f"{where}: {expected - 1} links belong to a centre whose head is missing."
    elif expected != head.sequence + 1 or (digest and digest != (head.digest if head.sequence else START)):
        yield f"{where}: the chain ends at link {expected - 1}, its head says {head.sequence}."


def _links(centre: UUID) -> Iterator[Change | _Unreadable]:
    """Yield a centre's links in order, some at a time; one that cannot be read does not hide the others."""
    links = Change.objects.filter(centre_id=centre).order_by("sequence")
    numbers, start = links.values_list("sequence", flat=True), -1
    while chunk := list(numbers.filter(sequence__gt=start)[:_CHUNK]):
        among = links.filter(sequence__gte=chunk[0], sequence__lte=chunk[-1])
        try:
            yield from list(among)
        except (ValueError, TypeError, AttributeError, DataError):
            for number in chunk:
                try:
                    yield links.get(sequence=number)
                except (ValueError, TypeError, AttributeError, DataError):
                    yield _Unreadable(number)
        start = chunk[-1]
