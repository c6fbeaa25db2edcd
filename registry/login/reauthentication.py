"""Whether the person at the screen has just shown again who they are.

Logging in does not count: it may be somebody else's hand by now. What counts is the password, a code or a passkey given
on purpose in the last minutes (``ACCOUNT_REAUTHENTICATION_TIMEOUT``) in this session. The library's pages keep their
confirmations in its records; a password given on one of our pages is kept beside them.
"""

from __future__ import annotations

import time

from allauth.account import app_settings
from allauth.account.adapter import get_adapter
from allauth.account.authentication import get_authentication_records
from allauth.core import context, ratelimit
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponseRedirect
from django.shortcuts import resolve_url
from django.utils.http import urlencode

from registry.errors import RuleBroken
from registry.models import User

_CONFIRMED = "confirmed_by_password"


def last_confirmed_at(request: HttpRequest, user: User) -> float | None:
    """Return when this person last confirmed in this session who they are (seconds since 1970); nothing if never."""
    given = [record["at"] for record in get_authentication_records(request, user) if record.get("reauthenticated")]
    by, at = request.session.get(_CONFIRMED, (None, 0.0))
    if by == str(user.pk):
        given.append(at)
    return max(given, default=None)


def recently_confirmed(request: HttpRequest) -> bool:
    """Say whether the person confirmed who they are within the last minutes."""
    if not isinstance(request.user, User):
        return False
    at = last_confirmed_at(request, request.user)
    return at is not None and time.time() - at < app_settings.REAUTHENTICATION_TIMEOUT


def confirm_with_password(request: HttpRequest, password: str) -> None:
    """Take the password of the person who is logged in; wrong ones are counted and limited by the library.

    Raises
    ------
    RuleBroken
        When it is not their password, or there were too many attempts; the message belongs to the field ``password``.
    """
    adapter = get_adapter()
    if not ratelimit.consume(request, action="reauthenticate", user=request.user):
        raise _beside_password(adapter.error_messages["rate_limited"])
    try:
        with context.request_context(request):
            right = bool(password) and adapter.reauthenticate(request.user, password)
    except ValidationError as error:  # too many wrong ones
        raise _beside_password(" ".join(error.messages)) from None
    if not right:
        raise _beside_password(adapter.error_messages["incorrect_password"])
    request.session[_CONFIRMED] = (str(request.user.pk), time.time())


def _beside_password(message: str) -> RuleBroken:
    return RuleBroken(message, fields={"password": [message]})


class ConfirmationNeeded(RuleBroken):
    """What was asked needs the person to show again who they are."""

    code = "confirmation_needed"
    status = 403


def require_confirmed(request: HttpRequest, password: str = "") -> None:
    """Let pass who confirmed in the last minutes or gives the password now.

    Raises
    ------
    ConfirmationNeeded
        When neither is so.
    RuleBroken
        As for :func:`confirm_with_password`.
    """
    if recently_confirmed(request):
        return
    if not password:
        message = "Enter your password to sign."
        raise ConfirmationNeeded(message, fields={"password": [message]})
    confirm_with_password(request, password)


def to_confirmation(request: HttpRequest, back_to: str | None = None) -> HttpResponseRedirect:
    """Send to the page that asks for password, code or passkey, and from there back."""
    query = urlencode({"next": back_to or request.get_full_path()})
    return HttpResponseRedirect(f"{resolve_url('account_reauthenticate')}?{query}")


def minutes_it_counts() -> int:
    """Return for how many minutes a confirmation counts."""
    return int(app_settings.REAUTHENTICATION_TIMEOUT // 60)
