"""Checking the change trail link by link."""

from __future__ import annotations

from collections.abc import Iterator

from registry.models import Change, TrailHead
from registry.trail.canonical import link
from registry.trail.record import parts_of


def faults() -> Iterator[str]:
    """Yield one sentence for each broken place: altered, missing, out of order, or a cut tail."""
    for head in TrailHead.objects.all():
        expected, digest = 1, "0" * 64
        for change in Change.objects.filter(centre_id=head.centre_id).order_by("sequence").iterator(chunk_size=2000):
            where = f"centre {head.centre_id}, link {change.sequence}"
            if change.sequence != expected:
                yield f"{where}: link {expected} is missing."
            if change.previous_digest != digest:
                yield f"{where}: does not follow from the link before it."
            if link(change.previous_digest, parts_of(change)) != change.digest:
                yield f"{where}: has been altered."
            expected, digest = change.sequence + 1, change.digest
        if expected != head.sequence + 1 or digest != head.digest:
            yield f"centre {head.centre_id}: the chain ends at link {expected - 1}, its head says {head.sequence}."
    orphans = Change.objects.exclude(centre_id__in=TrailHead.objects.values("centre_id")).count()
    if orphans:
        yield f"{orphans} links belong to a centre whose head is missing."
