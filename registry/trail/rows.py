"""Comparing rows with the links that speak of them, both ways: what no link accounts for is found and named."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from decimal import Decimal, InvalidOperation
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import DataError, models, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet

from registry.models import Change, TrailHead
from registry.models.encrypted import EncryptedTextField
from registry.models.trailed import Trail, members_of, trail_of
from registry.trail.canonical import plain
from registry.trail.content import Line, Told, opened, told_by
from registry.trail.erasures import Erasures, erasures
from registry.trail.record import EMPTY, HIDDEN, state_of, tracked
from registry.trail.sealing import owners_of

_UNREADABLE = (ValueError, TypeError, AttributeError, DataError)
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
    """Yield a sentence for each of these records whose row is not what its links say, or that has none.

    With a record the rows are compared that are told of in its links.
    """
    gone = erasures()
    for start in range(0, len(keys), _CHUNK):
        among = keys[start : start + _CHUNK]
        yield from _compared(model, among, gone)
        for member in members_of(model):
            within = f"{trail_of(member).within}_id"
            rows = member._base_manager.filter(**{f"{within}__in": among}).values_list("pk", within)
            heads = _mentioned(model, member, among) | dict(rows)
            yield from _compared(member, sorted(heads), gone, heads)


def faults_of_absent(model: type[models.Model]) -> Iterator[str]:
    """Yield a sentence for each record that its links say is there, and that has no row."""
    gone = erasures()
    absent = list(_without_row(model))
    for start in range(0, len(absent), _CHUNK):
        yield from _compared(model, absent[start : start + _CHUNK], gone)


def faults_of_unlinked(model: type[models.Model]) -> Iterator[str]:
    """Yield a sentence for each row that no link speaks of. Asks the database alone, so it is quick."""
    linked = Change.objects.filter(record_type=model._meta.label_lower, record_id=OuterRef("pk"))
    loose = trail_of(model).linkless
    rows = model._base_manager.filter(~Exists(linked))
    found = list((rows if loose is None else rows.exclude(loose)).order_by("pk").values_list("pk", flat=True))
    yield from _compared(model, found, erasures())


def _compared(
    model: type[models.Model], keys: list[UUID], gone: Erasures, heads: Mapping[UUID, UUID] | None = None
) -> Iterator[str]:
    """Compare records; ``heads`` are the records in whose links they are told of too, by their keys."""
    heads = heads or {}
    rows, lines = _rows(model, keys), _lines(model, keys, heads)
    for key in keys:
        if _said(model, key, rows, lines[key], gone):
            yield from _settled(model, key, lines[key], gone, heads)


def _without_row(model: type[models.Model]) -> Iterator[UUID]:
    made = Change.objects.filter(record_type=model._meta.label_lower, action="created")
    there = model._base_manager.filter(pk=OuterRef("record_id"))
    return made.filter(~Exists(there)).order_by().values_list("record_id", flat=True).distinct().iterator()


def _mentioned(model: type[models.Model], member: type[models.Model], keys: list[UUID]) -> dict[UUID, UUID]:
    """Return the members that the links of these records speak of, each with its record."""
    links = _read(Change.objects.filter(record_type=model._meta.label_lower, record_id__in=keys))
    kind = member._meta.label_lower
    return {key: one.change.record_id for one in opened(links) for key in one.members().get(kind, ())}


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


def _read(links: QuerySet[Change]) -> list[Change]:
    """Return links in the order of their chain. A person's may stand in several; keys are in the order of time."""
    try:
        return sorted(links, key=lambda one: (0 if one.record_type == "registry.user" else one.sequence, one.pk))
    except _UNREADABLE:  # the walk along the chain names it
        return []


def _lines(model: type[models.Model], keys: list[UUID], heads: Mapping[UUID, UUID]) -> dict[UUID, list[Line]]:
    """Return what the links say of these records, by their keys."""
    kind, within = model._meta.label_lower, trail_of(model).within
    found: dict[UUID, list[Line]] = defaultdict(list)
    condition = Q(record_type=kind, record_id__in=keys)
    members: dict[UUID, list[UUID]] = defaultdict(list)
    for key in keys if within else ():
        if key in heads:
            members[heads[key]].append(key)
    if members:
        head: Any = model._meta.get_field(within).related_model
        condition |= Q(record_type=head._meta.label_lower, record_id__in=list(members))
    for one in opened(_read(Change.objects.filter(condition))):
        if one.change.record_type == kind:
            found[one.change.record_id].append(one.line())
            continue
        for key in members[one.change.record_id]:
            if line := one.line_about(kind, key):
                # Whose it is, the link says itself.
                line.new.setdefault(f"{within}_id", str(one.change.record_id))
                found[key].append(line)
    return found


def _said(
    model: type[models.Model], key: UUID, rows: dict[UUID, models.Model | None], lines: list[Line], gone: Erasures
) -> str:
    """Return what is wrong with one record in words; empty where nothing is."""
    trail, told = trail_of(model), told_by(lines)
    if told.last is None:
        if key not in rows or (trail.linkless is not None and _is_linkless(model, key, trail)):
            return ""
        return "has no link; it was added past the services"
    if key in rows and rows[key] is None:
        return "holds what cannot be read"
    change, row = told.last.change, rows.get(key)
    where = f"link {change.sequence} of centre {change.centre_id}"
    if told.lost in ("erased", "closed"):
        if not any(_erased(line.change, gone) for line in lines):
            return f"cannot be compared: {where} is sealed under a key that is lost, and no erasure was recorded"
        return "" if row is None else f"is there, though {where} is of a patient who was erased"
    if row is None:
        if not told.there or not told.born:
            return ""
        return f"is gone, and {where} says it is there; it was removed past the services"
    if not told.there:
        return f"is there, and {where} says it was deleted; it was added past the services"
    if told.lost:
        return ""  # the walk along the chain says which link
    changed = _differing(row, told, trail)
    return f"is not what {where} and those before it say: {', '.join(changed)}" if changed else ""


def _erased(change: Change, gone: Erasures) -> bool:
    """Say whether a link lost its values by an erasure that was recorded."""
    if (change.centre_id, change.sequence) in gone.blanked:
        return True
    try:
        return not gone.patients.isdisjoint(owners_of(change.values))
    except ValueError:
        return False


def _is_linkless(model: type[models.Model], key: UUID, trail: Trail) -> bool:
    return model._base_manager.filter(trail.linkless, pk=key).exists()


def _settled(
    model: type[models.Model], key: UUID, lines: list[Line], gone: Erasures, heads: Mapping[UUID, UUID]
) -> Iterator[str]:
    """Look once more with the centre's writers held up: somebody may have written between the row and its links."""
    with transaction.atomic():
        centres = {line.change.centre_id for line in lines}
        list(TrailHead.objects.select_for_update(no_key=True).filter(pk__in=centres).order_by("pk"))
        if said := _said(model, key, _rows(model, [key]), _lines(model, [key], heads)[key], gone):
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
    return not told.born or field.primary_key or stored in EMPTY or _same(field, plain(field.get_default()), stored)


def _same(field: models.Field[Any, Any], told: Any, stored: Any) -> bool:
    """Say whether two plain values mean the same in a column; how many zeros a number has is the database's choice."""
    if told == stored:
        return True
    if isinstance(field, EncryptedTextField):
        # Links written before say only that there is a value.
        return told == HIDDEN and bool(stored)
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
