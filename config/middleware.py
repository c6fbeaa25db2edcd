"""Middleware of the whole site."""

from __future__ import annotations

from collections.abc import Callable

from django.core.exceptions import SuspiciousOperation
from django.http import HttpRequest, HttpResponse

from config.faults import bad_request
from registry.models import User
from registry.models.noting import noting
from registry.services.looks import record_look
from registry.services.records import has_nul


def readable_addresses(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Refuse an address with a NUL character: no text of ours holds one, and PostgreSQL cannot look for it."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if "\0" in request.path or any(has_nul(pair) for pair in request.GET.lists()):
            return bad_request(request, SuspiciousOperation("NUL character"))
        return get_response(request)

    return middleware


def recorded_looks(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Record whose identifiers a request read, before the answer leaves."""

    def middleware(request: HttpRequest) -> HttpResponse:
        with noting() as looked:
            response = get_response(request)
        if looked and isinstance(request.user, User) and request.resolver_match:
            record_look(by=request.user, patients=list(looked), page=request.resolver_match.view_name)
        return response

    return middleware


def private_pages(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Keep pages behind a log-in out of every shared or stored cache."""

    def middleware(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if request.user.is_authenticated and "Cache-Control" not in response:
            response["Cache-Control"] = "no-store"
        return response

    return middleware
