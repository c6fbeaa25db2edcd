"""How many attempts somebody has, and whose attempts are counted together.

A log-in is counted by user name and network address together, so that a stranger elsewhere locks nobody out. A device
on which a person has logged in before is counted on its own (``registry/login/known_devices.py``), so that a stranger
at the same address does not either. Unlocking, signing, confirming and erasing are counted by session and apart. The
amounts are ``settings.ACCOUNT_RATE_LIMITS``.
"""

from __future__ import annotations

from ipaddress import ip_address, ip_network

from allauth.core import ratelimit
from django.http import HttpRequest

from registry.login import known_devices
from registry.login.access_log import origin

UNLOCK, SIGN, CONFIRM, ERASE = "unlock", "sign", "confirm", "erase"


def _of_log_in(request: HttpRequest, username: str) -> list[tuple[str, str]]:
    name = username.casefold()
    if device := known_devices.device_of(request, name):
        return [("log_in", f"device {device} {name}")]
    address = _network(origin(request))
    return [("log_in", f"address {address} {name}"), ("log_in_from", address), ("log_in_anywhere", name)]


def _network(address: str) -> str:
    """Return whose address it is: with version 6, a caller has a whole network of them."""
    found = ip_address(address)
    return str(found) if found.version == 4 else str(ip_network((found, 64), strict=False))


def may_log_in(request: HttpRequest, username: str) -> bool:
    """Count an attempt to log in; say whether it is still one of those allowed."""
    return all(ratelimit.consume(request, action=action, key=key) for action, key in _of_log_in(request, username))


def logged_in(request: HttpRequest, username: str) -> None:
    """Forget the wrong passwords before a right one; those for the name anywhere stay counted."""
    action, key = _of_log_in(request, username)[0]
    ratelimit.clear(request, action=action, key=key)


def may_try(request: HttpRequest, act: str) -> bool:
    """Count an attempt of somebody logged in; say whether it is still one of those allowed to this session."""
    return bool(ratelimit.consume(request, action=act, key=_session(request)))


def succeeded(request: HttpRequest, act: str) -> None:
    """Forget the wrong attempts of this session before a right one."""
    ratelimit.clear(request, action=act, key=_session(request))


def _session(request: HttpRequest) -> str:
    return f"session {request.session.session_key}"
