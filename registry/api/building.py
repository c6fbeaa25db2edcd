"""Serializers and views of the API, built from the description of a kind of record."""

from __future__ import annotations

from functools import cache
from typing import Any

from django.db.models import ForeignKey
from rest_framework import serializers

from registry.api.fields import AmendmentReason, Confirmed, Reference
from registry.api.serializers import RECORD, ReadSerializer, WriteSerializer
from registry.described.kind import KINDS, Api, RecordKind


def api_of(kind: RecordKind) -> Api:
    """Return how a kind is seen in the API."""
    assert kind.api is not None, f"The API has no {kind.label}."  # noqa: S101 - a fault of the program
    return kind.api


@cache
def answered_by(kind: RecordKind) -> type[ReadSerializer]:
    """Return the serializer that answers a kind: the record's own, what is written, what is only read."""
    api = api_of(kind)
    return _serializer(
        f"{kind.model.__name__}Serializer",
        ReadSerializer,
        api.reads,
        {"model": kind.model, "fields": (*RECORD, *kind.fields, *api.answered)},
        api.answered_as,
    )


@cache
def taken_by(kind: RecordKind) -> type[WriteSerializer]:
    """Return the serializer that takes a kind. A key in it is of a record of the person's centres."""
    api = api_of(kind)
    own: dict[str, Any] = {name: _reference(kind, name) for name in kind.fields if _refers(kind, name)}
    own |= api.taken_as
    if kind.confirms:
        own["confirmed"] = Confirmed()
    if kind.amends:
        own["amendment_reason"] = AmendmentReason()
    fields = ("version", *kind.fields, *(name for name in own if name not in kind.fields))
    meta = {"model": kind.model, "fields": fields, "validators": ()}
    return _serializer(f"{kind.model.__name__}WriteSerializer", WriteSerializer, api.takes, meta, own)


def _serializer(name: str, base: type[Any], words: str, meta: dict[str, Any], own: Any) -> Any:
    """Make a serializer as ``class name(base)`` with its ``Meta`` would; the words are those of the document."""
    return type(name, (base,), {"__doc__": words, "Meta": type("Meta", (), meta), **own})


def _refers(kind: RecordKind, name: str) -> bool:
    return isinstance(kind.model._meta.get_field(name), ForeignKey) and name not in api_of(kind).taken_as


def _reference(kind: RecordKind, name: str) -> serializers.Field[Any, Any, Any, Any]:
    stored: Any = kind.model._meta.get_field(name)
    meant = KINDS[stored.related_model._meta.label_lower]
    left_out: dict[str, Any] = {"required": False, "allow_null": True} if stored.null else {}
    return Reference(meant.model, meant.centre, **left_out)
