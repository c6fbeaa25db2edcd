"""Comparing rows with the links that speak of them, both ways: what no link accounts for is found and named."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import DataError, models, transaction
from django.db.models import Exists, OuterRef

from registry.models import Change, TrailHead
from registry.models.trailed import Trail, trail_of
from registry.trail.canonical import plain
from registry.trail.content import Told, told_by
from registry.trail.record import state_of, tracked

_UNREADABLE = (ValueError, TypeError, AttributeError, DataError)
_EMPTY: tuple[Any, ...] = (None, "", [], {})
_CHUNK = 500


def bound_models() -> list[type[models.Model]]:
    """Return the models whose rows have links."""
    # A table of ours says how its fields are handled; a library's does not.
    ours = (model for model in apps.get_models() if hasattr(model, "handling"))
    return sorted((model for model in ours if not trail_of(model).untrailed), key=lambda model: model._meta.label_lower)


def keys_of(model: type[models.Model]) -> Iterator[UUID]:
    """Yield the key of every row in order, some at a time."""
    last: UUID | None = None
    rows = model._base_manager.order_by("pk").values_list("pk", flat=True)
    while chunk := list((rows.filter(pk__gt=last) if last else rows)[:2000]):
        yield from chunk
        last = chunk[-1]


def faults_of_rows(model: type[models.Model], keys: list[UUID]) -> Iterator[str]:
    """Yield a sentence for each of these records whose row is not what its links say, or that has none."""
    for start in range(0, len(keys), _CHUNK):
        among = keys[start : start + _CHUNK]
        rows, links = _rows(model, among), _links(model, among)
        for key in among:
            if _said(model, key, rows.get(key), links[key]):
                yield from _settled(model, key, links[key])


def faults_of_absent(model: type[models.Model]) -> Iterator[str]:
    """Yield a sentence for each record that its links say is there, and that has no row."""
    for key in list(_without_row(model)):
        links = _links(model, [key])[key]
        if _said(model, key, None, links):
            yield from _settled(model, key, links)


def faults_of_unlinked(model: type[models.Model]) -> Iterator[str]:
    """Yield a sentence for each row that no link speaks of. Asks the database alone, so it is quick."""
    linked = Change.objects.filter(record_type=model._meta.label_lower, record_id=OuterRef("pk"))
    loose = trail_of(model).linkless
    rows = model._base_manager.filter(~Exists(linked))
    for key in (rows if loose is None else rows.exclude(loose)).order_by("pk").values_list("pk", flat=True):
        yield from faults_of_rows(model, [key])


def _without_row(model: type[models.Model]) -> Iterator[UUID]:
    made = Change.objects.filter(record_type=model._meta.label_lower, action="created")
    there = model._base_manager.filter(pk=OuterRef("record_id"))
    return made.filter(~Exists(there)).order_by().values_list("record_id", flat=True).distinct().iterator()


def _rows(model: type[models.Model], keys: list[UUID]) -> dict[UUID, models.Model | None]:
    """Return the rows by their keys; one that cannot be read hides no other, and is there with nothing in it."""
    try:
        return dict(model._base_manager.in_bulk(keys))
    except _UNREADABLE:
        found: dict[UUID, models.Model | None] = {}
        for key in model._base_manager.filter(pk__in=keys).values_list("pk", flat=True):
            try:
                found[key] = model._base_manager.get(pk=key)
            except _UNREADABLE:
                found[key] = None
        return found


def _links(model: type[models.Model], keys: list[UUID]) -> dict[UUID, list[Change]]:
    found: dict[UUID, list[Change]] = defaultdict(list)
    links = Change.objects.filter(record_type=model._meta.label_lower, record_id__in=keys)
    try:
        read = list(links)
    except _UNREADABLE:  # the walk along the chain names it
        return found
    # A person's links may stand in several chains; keys of links are in the order of time.
    for change in sorted(read, key=lambda one: (one.sequence, one.pk) if not _many(one) else (0, one.pk)):
        found[change.record_id].append(change)
    return found


def _many(change: Change) -> bool:
    return change.record_type == "registry.user"


def _said(model: type[models.Model], key: UUID, row: models.Model | None, links: list[Change]) -> str:
    """Return what is wrong with one record in words; empty where nothing is."""
    trail, told = trail_of(model), told_by(links)
    if not links:
        if row is None or (trail.linkless is not None and _is_linkless(model, key, trail)):
            return ""
        return "has no link; it was added past the services"
    where = f"link {told.last.sequence} of centre {told.last.centre_id}" if told.last else ""
    if row is None:
        if not told.there or not told.born:
            return ""
        return f"is gone, and {where} says it is there; it was removed past the services"
    if not told.there:
        return f"is there, and {where} says it was deleted; it was added past the services"
    if told.unread:
        return ""  # the walk along the chain says which link
    changed = _differing(row, told, trail)
    return f"is not what {where} and those before it say: {', '.join(changed)}" if changed else ""


def _is_linkless(model: type[models.Model], key: UUID, trail: Trail) -> bool:
    return model._base_manager.filter(trail.linkless, pk=key).exists()


def _settled(model: type[models.Model], key: UUID, links: list[Change]) -> Iterator[str]:
    """Look once more with the centre's writers held up: somebody may have written between the row and its links."""
    with transaction.atomic():
        centres = {change.centre_id for change in links}
        list(TrailHead.objects.select_for_update(no_key=True).filter(pk__in=centres).order_by("pk"))
        rows = _rows(model, [key])
        if key in rows and rows[key] is None:
            yield f"{model._meta.label_lower} {key}: the row holds what cannot be read."
        elif said := _said(model, key, rows.get(key), _links(model, [key])[key]):
            yield f"{model._meta.label_lower} {key}: the row {said}."


def _differing(row: models.Model, told: Told, trail: Trail) -> list[str]:
    """Return the names of the fields that are not what the links say."""
    stored, fields = state_of(row), {one.attname: one for one in row._meta.concrete_fields}
    return [
        name
        for name, _ in tracked(type(row))
        if name not in trail.loose and not _as_told(fields[name], stored[name], name, told)
    ]


def _as_told(field: models.Field[Any, Any], stored: Any, name: str, told: Told) -> bool:
    if name in told.values:
        return _same(field, told.values[name], stored)
    # Not mentioned: empty, or of a column that was added later and filled with its default.
    return not told.born or field.primary_key or stored in _EMPTY or _same(field, plain(field.get_default()), stored)


def _same(field: models.Field[Any, Any], told: Any, stored: Any) -> bool:
    """Say whether two plain values mean the same in a column; how many zeros a number has is the database's choice."""
    if told == stored:
        return True
    if isinstance(field, models.JSONField):
        return _same_json(told, stored)
    if isinstance(field, models.FloatField | models.DecimalField | models.IntegerField):
        return _same_number(told, stored)
    return False


def _same_json(told: Any, stored: Any) -> bool:
    if isinstance(told, dict) and isinstance(stored, dict):
        return told.keys() == stored.keys() and all(_same_json(value, stored[name]) for name, value in told.items())
    if isinstance(told, list) and isinstance(stored, list):
        return len(told) == len(stored) and all(map(_same_json, told, stored))
    return told == stored or _same_number(told, stored)


def _same_number(told: Any, stored: Any) -> bool:
    if not isinstance(told, str) or not isinstance(stored, str):
        return False
    try:
        return Decimal(told) == Decimal(stored)
    except InvalidOperation:
        return False
