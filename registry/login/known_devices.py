"""Devices on which a person has logged in before: a signed cookie that names nobody and opens nothing.

A person with it has a few attempts of their own for the people in it, however often strangers try elsewhere.
"""

from __future__ import annotations

import secrets
from typing import Any

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.utils.crypto import salted_hmac

COOKIE = "__Host-device" if settings.PRODUCTION else "device"
KEPT_S = 180 * 24 * 3600
MOST_PEOPLE = 60  # on a shared tablet; who logged in last stays
_SALT = "registry.login.known_devices"
_NEW = "_logged_in_here"


def _person(name: str) -> str:
    return salted_hmac(_SALT, name.casefold()).hexdigest()[:12]


def _read(request: HttpRequest) -> tuple[str, list[str]]:
    try:
        kept: Any = signing.loads(request.COOKIES.get(COOKIE, ""), salt=_SALT, max_age=KEPT_S)
        return str(kept["device"]), [str(person) for person in kept["people"]]
    except (signing.BadSignature, KeyError, TypeError):
        return "", []


def device_of(request: HttpRequest, name: str) -> str:
    """Return the device's mark when somebody of that user name has logged in on it; empty when not."""
    device, people = _read(request)
    return device if _person(name) in people else ""


def remember(request: HttpRequest, name: str) -> None:
    """Note that somebody has logged in; the answer to this request carries the cookie."""
    setattr(request, _NEW, name)


def put_cookie(request: HttpRequest, response: HttpResponse) -> None:
    """Give the answer to a log-in its cookie."""
    name = getattr(request, _NEW, None)
    if name is None:
        return
    device, people = _read(request)
    person = _person(name)
    people = [person, *(other for other in people if other != person)][:MOST_PEOPLE]
    value = signing.dumps({"device": device or secrets.token_urlsafe(12), "people": people}, salt=_SALT, compress=True)
    response.set_cookie(
        COOKIE, value, max_age=KEPT_S, secure=settings.PRODUCTION, httponly=True, samesite="Lax", path="/"
    )
