"""Refusals in the service's log, for those who watch it: who asked for what, never a name or a value."""

from __future__ import annotations

import logging

from django.http import HttpRequest

log = logging.getLogger("tributary.access")


def refused(request: HttpRequest, status: int) -> None:
    """Note that somebody asked for what is not theirs: who, what route, and what was answered; no names, no data."""
    route = request.resolver_match.view_name if request.resolver_match else "nowhere"
    account = getattr(request.user, "pk", None)
    log.warning("%s %s refused with %s: account %s, from %s", request.method, route, status, account, origin(request))


def origin(request: HttpRequest | None) -> str:
    """Return the network address a request came from."""
    return str(request.META.get("REMOTE_ADDR", "unknown")) if request is not None else "unknown"
