"""Middleware of the whole site."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse


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
