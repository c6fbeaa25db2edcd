"""What is noted of every request: an id that its lines in the log share, a line when it ends, and its metrics."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable
from uuid import uuid4

from django.http import HttpRequest, HttpResponse

from config.watching import metrics
from registry.log_context import about

_log = logging.getLogger("tributary.requests")
# Asked for every few seconds by machines.
_UNREMARKABLE = {"healthz", "readyz", "metrics"}
_ID = re.compile(r"[0-9A-Za-z-]{8,64}")


def watched(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Open the log's context around a request. The route is noted, never the address or what was typed."""

    def middleware(request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        name = given if _ID.fullmatch(given) else uuid4().hex
        began = time.perf_counter()
        with about(request=name):
            response = get_response(request)
            if request.resolver_match is None and response.status_code < 400:
                return response  # a static file
            seconds = time.perf_counter() - began
            route = request.resolver_match.view_name if request.resolver_match else "nowhere"
            response["X-Request-ID"] = name
            if route not in _UNREMARKABLE:
                metrics.count(request.method or "", route, response.status_code, seconds)
                fields = {"method": request.method, "route": route, "status": response.status_code}
                _log.info("request", extra={"fields": fields | {"ms": round(1000 * seconds)}})
        return response

    return middleware
