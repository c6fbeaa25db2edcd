"""What an investigator needs to read in the service's log: who did what, from where, with what outcome.

Every such line is written here. It carries the account's key, the address, the route and the centre where they are
known; never a name, a value or what was typed. The parts of a line are also its fields in the log that machines read
(``config/watching/logs.py``), which adds time, level and the id of the request.
"""

from __future__ import annotations

import ipaddress
import logging
import re
from typing import Any
from uuid import UUID

from django.conf import settings
from django.forms import BaseForm
from django.http import HttpRequest

from registry.log_context import noted

_PORT = re.compile(r"[0-9]{1,5}")

log = logging.getLogger("tributary.access")


def note(
    event: str, request: HttpRequest | None, *, level: int = logging.INFO, account: Any = None, **more: Any
) -> None:
    """Write one line: the event in words, then who and from where, then what else is known."""
    about = noted() if request is None else {"address": origin(request)}
    known = {"account": account or about.get("account", "unknown"), "address": about.get("address", "unknown")} | more
    parts = ", ".join(f"{name} {value}" for name, value in known.items())
    log.log(level, "%s: %s", event, parts, extra={"fields": {"event": event} | known})


def refused(request: HttpRequest, status: int, **more: Any) -> None:
    """Note that somebody asked for what is not theirs: who, what route, and what was answered."""
    account = getattr(request.user, "pk", None)
    asked = {"method": request.method, "route": route_of(request), "status": status}
    note("refused", request, level=logging.WARNING, account=account, **asked, **more)


def refused_choices(form: BaseForm) -> None:
    """Note a record named in a form that is none of those offered, such as one of another centre."""
    for name, errors in form.errors.as_data().items():
        sent = form.data.get(form.add_prefix(name), "")
        if any(error.code == "invalid_choice" for error in errors) and _names_a_record(sent):
            note("refused choice", None, level=logging.WARNING, form=type(form).__name__, field=name)


def _names_a_record(text: Any) -> bool:
    try:
        return bool(UUID(text))
    except (ValueError, TypeError, AttributeError):
        return False


def route_of(request: HttpRequest) -> str:
    """Return the name of the route, which holds no key of a record."""
    return request.resolver_match.view_name if request.resolver_match else "nowhere"


def origin(request: HttpRequest | None) -> str:
    """Return the network address a request came from, as the trusted proxies say it.

    Each of ``settings.TRUSTED_PROXIES`` proxies added the address it saw to ``X-Forwarded-For``; what stands before
    those was written by the caller and is not believed.
    """
    if request is None:
        return "unknown"
    said = [part.strip() for part in request.headers.get("X-Forwarded-For", "").split(",") if part.strip()]
    count = settings.TRUSTED_PROXIES
    address = said[-count] if 0 < count <= len(said) else str(request.META.get("REMOTE_ADDR") or "0.0.0.0")  # noqa: S104 - "no address"
    host, _, port = address.rpartition(":")
    if _PORT.fullmatch(port) and (host.count(":") == 0 or host.endswith("]")):
        address = host.strip("[]")  # some proxies add the port
    try:
        return str(ipaddress.ip_address(address.strip("[]")))
    except ValueError:
        return "0.0.0.0"  # noqa: S104 - "no address"
