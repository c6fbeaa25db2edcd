"""What every API endpoint shares: one error envelope and one way of paging."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ObjectDoesNotExist
from rest_framework import exceptions
from rest_framework.pagination import CursorPagination
from rest_framework.response import Response
from rest_framework.views import exception_handler

from registry.errors import AccessDenied, Conflict, RuleBroken


class KeyCursorPagination(CursorPagination):
    """Pages by key. UUIDv7 keys are in order of creation, so a page never shifts under a reader."""

    page_size = 50
    max_page_size = 200
    page_size_query_param = "page_size"
    ordering = "-id"


def one_envelope(error: Exception, context: dict[str, Any]) -> Response | None:
    """Answer every error as ``{code, message, fields}``; a conflict also carries both versions."""
    if isinstance(error, Conflict):
        body = {
            "code": "conflict",
            "message": str(error),
            "fields": {},
            "yours": error.yours,
            "stored": error.stored,
        }
        return Response(body, status=409)
    if isinstance(error, RuleBroken):
        return Response({"code": error.code, "message": str(error), "fields": error.fields}, status=error.status)
    if isinstance(error, AccessDenied):
        return Response({"code": "not_allowed", "message": str(error), "fields": {}}, status=403)
    if isinstance(error, ObjectDoesNotExist):
        error = exceptions.NotFound()
    response = exception_handler(error, context)
    if response is None:
        return None
    fields = response.data if isinstance(error, exceptions.ValidationError) else {}
    message = "There is a problem with what was sent." if fields else str(getattr(error, "detail", error))
    code = str(getattr(error, "default_code", "error"))
    response.data = {"code": code, "message": message, "fields": fields}
    return response
