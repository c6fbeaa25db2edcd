"""The idle lock: a session that nobody touched for its centre's minutes opens only to the person it belongs to.

The session itself remembers when it was last touched, so that watching it costs a request nothing; once a minute it
looks up again what its centres ask for. The page locks itself by the same minutes (``registry/lock.js``), but it is the
server that refuses.
"""

from __future__ import annotations

import time
from typing import Any

from allauth.account.authentication import get_authentication_records
from allauth.usersessions.models import UserSession
from django.http import HttpRequest
from django.utils import timezone

from registry.access import centres_of
from registry.login.reauthentication import last_confirmed_at, use_up
from registry.login.second_factor import missing_in
from registry.models import Centre, User

# Asked for by pages on their own: no sign of anybody being there. An outbox that empties itself is none either.
QUIET = {
    "procedures:progress",
    "procedures:comparison_state",
    "procedures:signals",
    "procedures:reading",
    "imports:progress",
} | {f"api:bedside_{what}" for what in ("session", "token", "entries")}
LOOK_UP_AGAIN_S = 60
_ACTIVE, _LOCKED, _KEPT = "active_at", "locked_at", "kept"


# Of somebody who works in several centres no centre asks for less than this, unless all of them do.
LEAST_OF_SEVERAL_MIN = 5


def _minutes(asked: list[int]) -> int:
    if not asked:
        return int(Centre._meta.get_field("idle_lock_min").default)
    return max(min(asked), min(LEAST_OF_SEVERAL_MIN, max(asked)))


def _asked_of(user: User) -> dict[str, Any]:
    centres = dict(centres_of(user).values_list("pk", "idle_lock_min"))
    missing = missing_in(user)
    return {
        "at": time.time(),
        "centres": [str(key) for key in centres],
        "idle_s": 60 * _minutes(list(centres.values())),
        "factor_from": min(missing.values(), default=None),
        "factor_in": missing,
    }


def begin(request: HttpRequest, user: User) -> None:
    """Start watching a session that has just been opened."""
    request.session[_ACTIVE] = time.time()
    request.session[_KEPT] = _asked_of(user)
    request.session.pop(_LOCKED, None)


def look_up(request: HttpRequest, user: User) -> dict[str, Any]:
    """Return what the user's centres ask of this session, looked up again."""
    kept = request.session[_KEPT] = _asked_of(user)
    return kept


def kept(request: HttpRequest) -> dict[str, Any]:
    """Return what was looked up last: ``idle_s``; ``factor_from`` and ``factor_in`` when a second factor is missing."""
    return dict(request.session.get(_KEPT) or {})


def touch(request: HttpRequest, user: User) -> None:
    """Note that somebody is there; written only now and then, since each note is a write."""
    if _ACTIVE not in request.session or _KEPT not in request.session:
        begin(request, user)
        return
    now, known = time.time(), kept(request)
    if now - request.session[_ACTIVE] > min(30, known["idle_s"] / 10):
        request.session[_ACTIVE] = now
    if now - known["at"] > LOOK_UP_AGAIN_S:
        look_up(request, user)
        UserSession.objects.filter(session_key=request.session.session_key).update(last_seen_at=timezone.now())


def opened_s(request: HttpRequest, user: User) -> float | None:
    """Return for how many seconds the session has been open since a log-in or unlocking; nothing when not known."""
    given = [record["at"] for record in get_authentication_records(request, user)]
    given += [at for at in [last_confirmed_at(request, user)] if at is not None]
    return max(time.time() - max(given), 0.0) if given else None


def lock(request: HttpRequest) -> None:
    """Lock the session now."""
    request.session.setdefault(_LOCKED, time.time())


def is_locked(request: HttpRequest, user: User) -> bool:
    """Say whether the session is locked; a confirmation given since it was locked opens it."""
    session = request.session
    if _LOCKED not in session:
        idle_s = kept(request).get("idle_s")
        if idle_s is None or time.time() - session.get(_ACTIVE, 0) <= idle_s:
            return False
        lock(request)
        return True
    given = last_confirmed_at(request, user)
    if given is None or given < session[_LOCKED]:
        return True
    del session[_LOCKED]
    use_up(request)  # it opened the session and signs nothing
    session[_ACTIVE] = time.time()
    return False
