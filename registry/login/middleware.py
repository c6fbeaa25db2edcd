"""What every request of somebody logged in passes: the idle lock, and the second factor a centre may ask for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode

from registry.access import centres_of
from registry.log_context import note
from registry.login import idle, known_devices
from registry.login.access_log import origin
from registry.models import User

# Hold no personal data and are requested by machines: the user is not looked up.
NOBODYS = {"healthz", "readyz", "metrics"} | {
    f"procedures:bedside{part}" for part in ("", "_shell", "_logged_in", "_worker")
}
TO_UNLOCK = {
    *("lock", "lock_active", "logout", "account_logout"),
    *("account_reauthenticate", "mfa_reauthenticate", "mfa_reauthenticate_webauthn"),
}
_TO_SET_UP = TO_UNLOCK | {"account", "account_change_password", "account_sessions", "account_end_session", "login"}


class SessionKeeper:
    """Middleware: refuse a locked session, and one that lacks a second factor, whatever it asks for."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Pass on; a device on which somebody has just logged in is remembered."""
        note(address=origin(request))
        response = self.get_response(request)
        known_devices.put_cookie(request, response)
        return response

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponse | None:
        """Answer in the view's place when the session may not go on."""
        route = request.resolver_match.view_name if request.resolver_match else ""
        if route in NOBODYS or not request.user.is_authenticated:
            return None
        note(account=request.user.pk, **_only_centre(request))
        if idle.is_locked(request, request.user):
            return None if route in TO_UNLOCK else _locked(request)
        if route not in idle.QUIET:
            idle.touch(request, request.user)
        user = request.user
        closed = _closed_without_factor(request, user)
        if closed and not _works_elsewhere(user, closed) and not _is_to_set_up(route):
            return _set_up_first(request)
        user.closed_centres = closed
        return None


def _only_centre(request: HttpRequest) -> dict[str, str]:
    """The centre of somebody who works in one; what is asked of another is noted where the right is."""
    centres = idle.kept(request).get("centres") or []
    return {"centre": centres[0]} if len(centres) == 1 else {}


def _is_to_set_up(route: str) -> bool:
    return route in _TO_SET_UP or route.startswith("mfa_")


def _closed_without_factor(request: HttpRequest, user: User) -> frozenset[UUID]:
    """Return the centres that ask for a second factor today which is missing."""
    today = timezone.localdate().isoformat()
    if not any(day <= today for day in (idle.kept(request).get("factor_in") or {}).values()):
        return frozenset()
    asking = idle.look_up(request, user)["factor_in"]  # it may have been set up since
    return frozenset(UUID(key) for key, day in asking.items() if day <= today)


def _works_elsewhere(user: User, closed: frozenset[UUID]) -> bool:
    return centres_of(user).exclude(pk__in=closed).exists()


def _is_page(request: HttpRequest) -> bool:
    return "text/html" in request.headers.get("Accept", "text/html") and not request.path.startswith("/api/")


def _here(request: HttpRequest) -> str:
    """Return the address to come back to: a page that was asked for, or the page that asked."""
    if request.method == "GET" and _is_page(request) and not request.headers.get("HX-Request"):
        if request.resolver_match and request.resolver_match.view_name in ("login", "account_login"):
            return request.GET.get("next", "/")
        return request.get_full_path()
    asking = urlsplit(request.headers.get("HX-Current-URL") or request.headers.get("Referer") or "/")
    return asking.path + (f"?{asking.query}" if asking.query else "")


def _answer(request: HttpRequest, status: int, code: str, message: str, page: str) -> HttpResponse:
    if request.headers.get("HX-Request"):
        return HttpResponse(status=status, headers={"HX-Redirect": page})
    if not _is_page(request):
        return JsonResponse({"code": code, "message": message, "fields": {}}, status=status)
    return redirect(page)


def _locked(request: HttpRequest) -> HttpResponse:
    page = f"{reverse('lock')}?{urlencode({'next': _here(request)})}"
    return _answer(request, 423, "locked", "This session is locked. Unlock it with your password.", page)


def _set_up_first(request: HttpRequest) -> HttpResponse:
    message = "Your centre asks for a second factor: set one up to continue."
    if _is_page(request) and not request.headers.get("HX-Request"):
        messages.warning(request, message)
    return _answer(request, 403, "second_factor_needed", message, reverse("mfa_index"))
