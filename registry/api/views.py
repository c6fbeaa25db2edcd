"""Reading and writing records over the API: thin over selectors and services."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar, cast
from uuid import UUID

from django.db import IntegrityError
from django.db.models import Model, QuerySet
from rest_framework import mixins, serializers
from rest_framework.filters import BaseFilterBackend
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from registry.access import Right, centres_for
from registry.api.schema import RecordSchema
from registry.api.serializers import WriteSerializer
from registry.errors import RuleBroken
from registry.models import Record, User

_PAGING = {"cursor", "page_size"}


class OwnerFilter(BaseFilterBackend):
    """Narrow a list by the keys the view names; a parameter it does not know is refused, not ignored."""

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> QuerySet[Any]:
        """Apply the filters of the query string."""
        if unknown := sorted(set(request.query_params) - set(view.filters) - _PAGING):
            raise serializers.ValidationError({name: ["There is no such filter."] for name in unknown})
        for name, path in view.filters.items():
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
        return [{"name": name, "in": "query", "required": False, "schema": key} for name in view.filters]


class RecordViewSet(mixins.ListModelMixin, mixins.RetrieveModelMixin, GenericViewSet[Any]):
    """Lists and reads the records of the centres in which the person sees sessions; others are not found."""

    schema = RecordSchema()
    filter_backends = (OwnerFilter,)
    metadata_class = None
    lookup_value_converter = "uuid"
    http_method_names: tuple[str, ...] = ("get", "put", "head")
    # Lookup from the record to its centre, and names of filters with their lookups.
    centre_path: ClassVar[str]
    filters: ClassVar[dict[str, str]] = {}

    def get_queryset(self) -> QuerySet[Any]:
        """Return what the person may see."""
        records = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return records.none()
        assert isinstance(self.request.user, User)  # noqa: S101 - permissions ran before; for the type checker
        return records.filter(**{f"{self.centre_path}__in": centres_for(self.request.user, Right.SEE_SESSIONS)})

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Answer one record, with its version as entity tag."""
        record = self.get_object()
        return Response(self.get_serializer(record).data, headers=entity_tag(record))


class WritableRecordViewSet(RecordViewSet):
    """A record is written by PUT under a key its writer made: created (201), changed or replayed (200)."""

    write_serializer_class: ClassVar[type[WriteSerializer]]
    # What writes this kind of record; a view with more to say overrides ``write`` instead.
    service: ClassVar[Callable[..., Record]]

    def write(self, *, by: User, key: UUID, version: int | None, values: dict[str, Any]) -> Record:
        """Call the service; where a session's record is written, with the reason of an amendment."""
        # A record that has a reason of its own takes that of the amendment by its whole name.
        if "amendment_reason" in values and "reason" not in values:
            values["reason"] = values.pop("amendment_reason")
        return type(self).service(by=by, key=key, version=version, **values)

    def update(self, request: Request, pk: UUID) -> Response:
        """Write the record as a whole.

        Sending the same again is a replay and changes nothing. Changing a stored record needs the ``version`` it was
        read at (in the body, or as ``If-Match``); if it has changed since, the answer is 409 with both versions.
        """
        sent = self.write_serializer_class(data=request.data, context=self.get_serializer_context())
        sent.is_valid(raise_exception=True)
        values = dict(sent.validated_data)
        version = base_version(request, values.pop("version", None))
        known = self.get_queryset().filter(pk=pk).exists()
        if not known and pk.version != 7:
            raise serializers.ValidationError({"id": ["A new record needs a UUID of version 7 as its key."]})
        user = cast(User, request.user)
        try:
            record = self.write(by=user, key=pk, version=version, values=dict(values))
        except (RuleBroken, IntegrityError):
            if known or not self.get_queryset().filter(pk=pk).exists():
                raise
            # Somebody wrote this very key in the same instant: what was a new record is now a replay or a conflict.
            known, record = True, self.write(by=user, key=pk, version=version, values=dict(values))
        answer = self.get_serializer(record).data
        return Response(answer, status=200 if known else 201, headers=entity_tag(record))


def entity_tag(record: Model) -> dict[str, str]:
    """Return the header that names a record's version."""
    return {"ETag": f'"{record.version}"'}  # type: ignore[attr-defined] # every record has one


def base_version(request: Request, in_body: int | None) -> int | None:
    """Return the version a change starts from, from the body or the If-Match header."""
    header = request.headers.get("If-Match")
    if header is None:
        return in_body
    text = header.removeprefix("W/").strip('"')
    if not text.isdecimal() or (in_body is not None and int(text) != in_body):
        raise serializers.ValidationError({"If-Match": ["Give the version of the record, the same as in the body."]})
    return int(text)
