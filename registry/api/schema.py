"""How the views describe themselves in the OpenAPI document."""

from __future__ import annotations

from typing import Any, cast

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter

from registry.api.building import taken_by
from registry.api.serializers import ConflictSerializer, ProblemSerializer

_PROBLEMS: dict[str, dict[int, Any]] = {
    "GET": {400: ProblemSerializer, 403: ProblemSerializer, 404: ProblemSerializer},
    "PUT": {
        400: ProblemSerializer,
        403: ProblemSerializer,
        404: ProblemSerializer,
        409: ConflictSerializer,
        413: ProblemSerializer,
        422: ProblemSerializer,
    },
}


def problems(method: str) -> dict[int, Any]:
    """Return by status what goes wrong with a method."""
    return _PROBLEMS[method]


class RecordSchema(AutoSchema):
    """Reading and writing have serializers of their own, and every problem one shape."""

    def get_override_parameters(self) -> list[Any]:
        """Describe the header that may carry the version."""
        if self.method != "PUT":
            return []
        words = "The version that this change is based on, as an entity tag, in place of the field `version`."
        return [OpenApiParameter("If-Match", OpenApiTypes.STR, OpenApiParameter.HEADER, description=words)]

    def get_request_serializer(self) -> Any:
        """Return what a write takes."""
        kind = getattr(self.view, "kind", None)
        return taken_by(kind) if kind is not None and self.method == "PUT" else None

    def get_response_serializers(self) -> Any:
        """Return what is answered, by status."""
        answer = cast(Any, self.view).get_serializer_class()
        answers = {200: answer, 201: answer} if self.method == "PUT" else {200: answer}
        return answers | problems(self.method)
