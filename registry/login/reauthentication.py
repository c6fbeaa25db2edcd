"""Whether the person at the screen has just shown again who they are.

Logging in does not count: it may be somebody else's hand by now. What counts is the password, a code or a passkey given
on purpose in the last minutes (``ACCOUNT_REAUTHENTICATION_TIMEOUT``) in this session. The session keeps the last one,
with the page it was given for. One that opened a locked session, made a signature or erased a patient is used up: a
signature and an erasure ask for their own, which is the password sent with them, or a code or passkey given for their
page.
"""

from __future__ import annotations

import time
from typing import Any
from urllib.parse import urlsplit

from allauth.account import app_settings
from allauth.account.adapter import get_adapter
from django.http import HttpRequest, HttpResponseRedirect
from django.shortcuts import resolve_url
from django.utils.http import urlencode

from registry.errors import RuleBroken
from registry.login import access_log, limits
from registry.models import User

_KEPT = "confirmation"
# A form that asked for confirmation before it opened may be sent for so many minutes.
TO_FILL_IN_S = 900


def note_confirmation(request: HttpRequest, user: User, *, page: str = "", factor: bool = False) -> None:
    """Keep that the person has shown who they are: for which page, and whether by code or passkey."""
    path = urlsplit(page).path
    request.session[_KEPT] = {
        "by": str(user.pk), "at": time.time(), "page": path, "factor": factor, "used": False,
    }  # fmt: skip


def _last(request: HttpRequest, user: Any) -> dict[str, Any] | None:
    kept = request.session.get(_KEPT)
    return kept if kept and kept["by"] == str(user.pk) else None


def last_confirmed_at(request: HttpRequest, user: User) -> float | None:
    """Return when this person last confirmed in this session who they are (seconds since 1970); nothing if never."""
    kept = _last(request, user)
    return kept["at"] if kept else None


def use_up(request: HttpRequest) -> None:
    """Let the last confirmation count for nothing more."""
    if kept := request.session.get(_KEPT):
        request.session[_KEPT] = kept | {"used": True}


def recently_confirmed(
    request: HttpRequest, *, factor: bool = False, page: str | None = None, within_s: float | None = None
) -> bool:
    """Say whether the person confirmed within the last minutes: by code or passkey, or for one page, where asked."""
    kept = _last(request, request.user)
    if kept is None or kept["used"] or (factor and not kept["factor"]):
        return False
    if page is not None and kept["page"] != page:
        return False
    return time.time() - kept["at"] < (within_s or app_settings.REAUTHENTICATION_TIMEOUT)


def check_password(request: HttpRequest, password: str, act: str) -> None:
    """Take the password of the person who is logged in; wrong ones are counted by session, for each act apart.

    Raises
    ------
    RuleBroken
        When it is not their password, or there were too many attempts; the message belongs to the field ``password``.
    """
    adapter = get_adapter()
    assert isinstance(request.user, User)  # noqa: S101 - tells the type checker
    if not limits.may_try(request, act):
        access_log.note(f"{act} stopped after too many attempts", request, level=30, account=request.user.pk)
        raise _beside_password(adapter.error_messages["rate_limited"])
    if not password or not request.user.is_active or not request.user.check_password(password):
        access_log.note(f"{act} failed", request, level=30, account=request.user.pk)
        raise _beside_password(adapter.error_messages["incorrect_password"])
    limits.succeeded(request, act)


def confirm_with_password(request: HttpRequest, password: str, *, act: str = limits.UNLOCK) -> None:
    """Take the password and keep the confirmation.

    Raises
    ------
    RuleBroken
        As for :func:`check_password`.
    """
    check_password(request, password, act)
    assert isinstance(request.user, User)  # noqa: S101 - tells the type checker
    note_confirmation(request, request.user)


def _beside_password(message: str) -> RuleBroken:
    return RuleBroken(message, fields={"password": [message]})


class ConfirmationNeeded(RuleBroken):
    """What was asked needs the person to show again who they are."""

    code = "confirmation_needed"
    status = 403


def confirm_signature(request: HttpRequest, password: str, *, page: str) -> None:
    """Let pass one signature: with the password, or with a code or passkey given for its page and not used yet.

    Raises
    ------
    ConfirmationNeeded
        When there is neither.
    RuleBroken
        As for :func:`check_password`.
    """
    _confirm_once(request, password, page, limits.SIGN, "Enter your password to sign.")


def confirm_erasure(request: HttpRequest, password: str, *, page: str) -> None:
    """Let pass one erasure of a patient, confirmed as a signature is.

    Raises
    ------
    ConfirmationNeeded, RuleBroken
        As for :func:`confirm_signature`.
    """
    _confirm_once(request, password, page, limits.ERASE, "Enter your password to erase this patient.")


def _confirm_once(request: HttpRequest, password: str, page: str, act: str, message: str) -> None:
    if password:
        check_password(request, password, act)
    elif recently_confirmed(request, page=page):
        use_up(request)
    else:
        raise ConfirmationNeeded(message, fields={"password": [message]})


class ConfirmFirst(Exception):
    """A page that opens, or an act that is done, only after a confirmation; the page of confirmation leads back."""

    def __init__(self, back_to: str, *, lost: bool = False) -> None:
        super().__init__(back_to)
        self.back_to, self.lost = back_to, lost


def confirm_first(request: HttpRequest, back_to: str | None = None) -> None:
    """Let pass who has confirmed in the last minutes; what was typed since the form opened is not lost.

    Raises
    ------
    ConfirmFirst
        When the person has not.
    """
    sent = request.method == "POST"
    if not recently_confirmed(request, within_s=TO_FILL_IN_S if sent else None):
        raise ConfirmFirst(back_to or request.get_full_path(), lost=sent)


def to_confirmation(request: HttpRequest, back_to: str | None = None) -> HttpResponseRedirect:
    """Send to the page that asks for password, code or passkey, and from there back."""
    query = urlencode({"next": back_to or request.get_full_path()})
    return HttpResponseRedirect(f"{resolve_url('account_reauthenticate')}?{query}")


def minutes_it_counts() -> int:
    """Return for how many minutes a confirmation counts."""
    return int(app_settings.REAUTHENTICATION_TIMEOUT // 60)
