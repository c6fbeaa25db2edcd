"""How records are read and written, as a base for every room."""

from __future__ import annotations

from typing import Any

from django.db import models
from drf_spectacular.utils import extend_schema_serializer
from rest_framework import serializers

from registry.api.fields import FiniteFloatField, PossibleDateField, PossibleDateTimeField

RECORD = ("id", "version", "created_at", "updated_at")


class ReadSerializer(serializers.ModelSerializer[Any]):
    """A record as it is answered; nothing here is written."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return every field as read-only, which also makes it always present in the document."""
        fields = super().get_fields()
        for field in fields.values():
            field.read_only, field.required = True, False
        return fields


class KnownFieldsOnly(serializers.Serializer[Any]):
    """What is sent under a name that is not known is refused, not dropped."""

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Validate."""
        if isinstance(data, dict) and (unknown := sorted(set(data) - set(self.fields))):
            raise serializers.ValidationError({name: ["There is no such field."] for name in unknown})
        values: dict[str, Any] = super().to_internal_value(data)
        return values


class WriteSerializer(KnownFieldsOnly, serializers.ModelSerializer[Any]):
    """A whole record as it is sent: fields left out take their default, fields unknown are refused.

    Ranges and rules are the services' and the database's, not repeated here.
    """

    serializer_field_mapping = serializers.ModelSerializer.serializer_field_mapping | {
        models.FloatField: FiniteFloatField,
        models.DateTimeField: PossibleDateTimeField,
        models.DateField: PossibleDateField,
    }

    version = serializers.IntegerField(
        required=False,
        min_value=1,
        help_text="The version that this change is based on; omit it for a new record. If-Match can be used instead.",
    )

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Validate, and complete the record."""
        values = super().to_internal_value(data)
        for field in self.Meta.model._meta.concrete_fields:  # type: ignore[attr-defined] # each subclass has its Meta
            if field.name in self.fields and field.name != "version" and field.name not in values:
                values[field.name] = field.get_default()
        return values


@extend_schema_serializer(many=False)
class ProblemSerializer(serializers.Serializer[Any]):
    """What went wrong, in words for a person."""

    code = serializers.CharField()
    message = serializers.CharField()
    fields_ = serializers.DictField(child=serializers.ListField(child=serializers.CharField()))

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return the fields; ``fields`` is a name the serializer keeps for itself."""
        fields = super().get_fields()
        fields["fields"] = fields.pop("fields_")
        return fields


@extend_schema_serializer(many=False)
class ConflictSerializer(ProblemSerializer):
    """A conflict carries both versions: neither is lost."""

    yours = serializers.DictField(required=False)
    stored = serializers.DictField(required=False)
