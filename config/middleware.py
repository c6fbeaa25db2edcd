"""Middleware of the whole site."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from django.core.exceptions import SuspiciousOperation
from django.http import FileResponse, HttpRequest, HttpResponse, StreamingHttpResponse

from config.faults import bad_request
from registry.models import User
from registry.models.noting import noting
from registry.services.looks import record_look
from registry.services.records import has_nul

# An answer made while it is sent is one recorded look for so many pieces of it, such as rows of a table.
PIECES_A_LOOK = 500


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
        if isinstance(request.user, User) and request.resolver_match:
            by, page = request.user, request.resolver_match.view_name
            if looked:
                record_look(by=by, patients=list(looked), page=page)
            if isinstance(response, StreamingHttpResponse) and not isinstance(response, FileResponse):
                response.streaming_content = _recorded(response.streaming_content, by=by, page=page)
        return response

    return middleware


def _recorded(pieces: Iterable[bytes], *, by: User, page: str) -> Iterator[bytes]:
    """Pass on an answer that is made while it is sent; what a batch of it reads is recorded before the batch leaves."""
    rest = iter(pieces)
    while True:
        with noting() as looked:
            batch = list(islice(rest, PIECES_A_LOOK))
        if looked:
            record_look(by=by, patients=list(looked), page=page)
        if not batch:
            return
        yield from batch


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
