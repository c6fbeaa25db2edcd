"""What every API endpoint shares: one error envelope and one way of paging."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

from django.core.exceptions import ObjectDoesNotExist, RequestDataTooBig
from django.db import IntegrityError
from django.http import Http404
from rest_framework import exceptions
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import exception_handler

from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.login.access_log import refused


class KeyCursorPagination(CursorPagination):
    """Pages by key. UUIDv7 keys are in order of creation, so a page never shifts under a reader."""

    page_size = 50
    max_page_size = 200
    page_size_query_param = "page_size"
    ordering = "-id"

    def decode_cursor(self, request: Request) -> Any:
        """Read the cursor; one that names no key leads nowhere."""
        cursor = super().decode_cursor(request)
        try:
            if cursor is not None and cursor.position is not None:
                UUID(str(cursor.position))
        except ValueError:
            raise exceptions.NotFound(self.invalid_cursor_message) from None
        return cursor


def _problem(status: int, code: str, message: str, fields: dict[str, list[str]] | None = None, **more: Any) -> Response:
    return Response({"code": code, "message": message, "fields": fields or {}} | more, status=status)


def _by_field(detail: Any, place: str = "") -> Iterator[tuple[str, list[str]]]:
    """Flatten nested messages: ``metrics.edp_mmhg.mean``; the empty name is the record as a whole."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            step = "" if name == "non_field_errors" else str(name)
            yield from _by_field(inner, ".".join(part for part in (place, step) if part))
    elif isinstance(detail, list) and any(isinstance(item, dict) for item in detail):
        for position, item in enumerate(detail):
            yield from _by_field(item, f"{place}.{position}" if place else str(position))
    else:
        yield place, [str(item) for item in (detail if isinstance(detail, list) else [detail])]


def one_envelope(error: Exception, context: dict[str, Any]) -> Response | None:
    """Answer every error as ``{code, message, fields}``; a conflict also carries both versions."""
    match error:
        case Conflict():
            return _problem(409, "conflict", str(error), yours=error.yours, stored=error.stored)
        case RuleBroken():
            return _problem(error.status, error.code, str(error), error.fields)
        case AccessDenied():
            refused(context["request"], 403)
            return _problem(403, "not_allowed", str(error))
        case IntegrityError():
            # Services check before they write; only two writers in the same instant get here. Nothing was written.
            return _problem(
                409, "conflict", "Somebody else changed this record at the same time. Read it again, then retry."
            )
        case RequestDataTooBig():
            return _problem(413, "too_large", "The request is too large for a record.")
        case RecursionError():
            return _problem(400, "parse_error", "The request is nested too deeply for a record.")
        case Http404() | ObjectDoesNotExist() | exceptions.NotFound():
            refused(context["request"], 404)
            return _problem(404, "not_found", "This was not found.")
        case exceptions.ValidationError():
            fields = dict(_by_field(error.detail))
            return _problem(error.status_code, "invalid", "The data sent need correcting.", fields)
    response = exception_handler(error, context)
    if response is None:
        return None
    code = str(getattr(error, "default_code", "error"))
    response.data = {"code": code, "message": str(getattr(error, "detail", error)), "fields": {}}
    return response
