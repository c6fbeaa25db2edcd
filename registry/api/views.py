"""Reading and writing records over the API: thin over selectors and services."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, cast
from uuid import UUID

from django.db import IntegrityError
from django.db.models import Model, QuerySet
from rest_framework import mixins, serializers
from rest_framework.filters import BaseFilterBackend
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter
from rest_framework.viewsets import GenericViewSet

from registry.access import Right, centres_for
from registry.api.building import answered_by, api_of, taken_by
from registry.api.schema import RecordSchema
from registry.described.kind import RecordKind
from registry.errors import RuleBroken
from registry.models import User
from registry.numbers.outside import NotANumber, whole_number

LARGEST_VERSION = 2**31 - 1

_PAGING = {"cursor", "page_size"}


class OwnerFilter(BaseFilterBackend):
    """Narrow a list by the keys the view names; a parameter it does not know is refused, not ignored."""

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> QuerySet[Any]:
        """Apply the filters of the query string."""
        if unknown := sorted(set(request.query_params) - set(_filters(view)) - _PAGING):
            raise serializers.ValidationError({name: ["There is no such filter."] for name in unknown})
        for name, path in _filters(view).items():
            if name in request.query_params:
                queryset = queryset.filter(**{path: self._key(name, request.query_params[name])})
        return queryset

    def _key(self, name: str, text: str) -> UUID:
        try:
            return UUID(text)
        except ValueError:
            raise serializers.ValidationError({name: ["Give the key of a record."]}) from None

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        """Describe the filters."""
        key = {"type": "string", "format": "uuid"}
        return [{"name": name, "in": "query", "required": False, "schema": key} for name in _filters(view)]


def _filters(view: Any) -> Mapping[str, str]:
    return api_of(view.kind).filters


class RecordViewSet(mixins.ListModelMixin, mixins.RetrieveModelMixin, GenericViewSet[Any]):
    """Lists and reads the records of the centres in which the person sees sessions; others are not found."""

    schema = RecordSchema()
    filter_backends = (OwnerFilter,)
    metadata_class = None
    lookup_value_converter = "uuid"
    http_method_names: tuple[str, ...] = ("get", "put", "head")
    # What is answered, and how it is found.
    kind: ClassVar[RecordKind]

    def get_queryset(self) -> QuerySet[Any]:
        """Return what the person may see."""
        records = self.kind.records()
        if getattr(self, "swagger_fake_view", False):
            return records.none()
        assert isinstance(self.request.user, User)  # noqa: S101 - permissions ran before; for the type checker
        return records.filter(**{f"{self.kind.centre}__in": centres_for(self.request.user, Right.SEE_SESSIONS)})

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        """Return the serializer of the kind, unless an action has one of its own."""
        return self.serializer_class or answered_by(self.kind)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Answer one record, with its version as entity tag."""
        record = self.get_object()
        return Response(self.get_serializer(record).data, headers=entity_tag(record))


class WritableRecordViewSet(RecordViewSet):
    """A record is written by PUT under a key its writer made: created (201), changed or replayed (200)."""

    def update(self, request: Request, pk: UUID) -> Response:
        """Write the record as a whole.

        Sending the same again is a replay and changes nothing. Changing a stored record needs the ``version`` it was
        read at (in the body, or as ``If-Match``); if it has changed since, the answer is 409 with both versions.
        """
        sent = taken_by(self.kind)(data=request.data, context=self.get_serializer_context())
        sent.is_valid(raise_exception=True)
        values = dict(sent.validated_data)
        version = base_version(request, values.pop("version", None))
        known = self.get_queryset().filter(pk=pk).exists()
        if not known and pk.version != 7:
            raise serializers.ValidationError({"id": ["A new record needs a UUID of version 7 as its key."]})
        user = cast(User, request.user)
        try:
            record = self.kind.write(by=user, key=pk, version=version, values=values)
        except (RuleBroken, IntegrityError):
            if known or not self.get_queryset().filter(pk=pk).exists():
                raise
            # Somebody wrote this very key in the same instant: what was a new record is now a replay or a conflict.
            known, record = True, self.kind.write(by=user, key=pk, version=version, values=values)
        answer = self.get_serializer(record).data
        return Response(answer, status=200 if known else 201, headers=entity_tag(record))


def view_of(kind: RecordKind) -> type[RecordViewSet]:
    """Return the view of a kind that needs no more than its description."""
    base = WritableRecordViewSet if api_of(kind).takes else RecordViewSet
    return type(f"{kind.model.__name__}ViewSet", (base,), {"__doc__": api_of(kind).words, "kind": kind})


def register_kinds(
    router: SimpleRouter, kinds: Iterable[RecordKind], views: Mapping[str, type[RecordViewSet]] | None = None
) -> None:
    """Give each kind of the API its address; ``views`` holds, by address, those that answer more than records."""
    for kind in kinds:
        if kind.api is not None:
            view = (views or {}).get(kind.api.address) or view_of(kind)
            router.register(kind.api.address, view, basename=str(kind.model._meta.model_name))


def entity_tag(record: Model) -> dict[str, str]:
    """Return the header that names a record's version."""
    return {"ETag": f'"{record.version}"'}  # type: ignore[attr-defined] # every record has one


def base_version(request: Request, in_body: int | None) -> int | None:
    """Return the version a change starts from, from the body or the If-Match header."""
    header = request.headers.get("If-Match")
    if header is None:
        return in_body
    refused = serializers.ValidationError({"If-Match": ["Give the version of the record, the same as in the body."]})
    try:
        version = whole_number(header.removeprefix("W/").strip('"'), 0, LARGEST_VERSION)
    except NotANumber:
        raise refused from None
    if in_body is not None and version != in_body:
        raise refused
    return version
