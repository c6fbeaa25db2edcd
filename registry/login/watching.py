"""What is noted when somebody logs in, confirms, or fails to."""

from __future__ import annotations

import logging
from typing import Any

from allauth.account.signals import authentication_step_completed
from allauth.mfa.signals import authentication_failed
from django.contrib.auth.signals import user_logged_in, user_logged_out, user_login_failed
from django.dispatch import receiver
from django.http import HttpRequest

from registry.login import idle, known_devices
from registry.login.access_log import note
from registry.login.reauthentication import note_confirmation
from registry.models import User


@receiver(user_logged_in)
def session_begins(request: HttpRequest, user: User, **_: Any) -> None:
    """Start the idle watch of the new session; the device is known from now on."""
    idle.begin(request, user)
    known_devices.remember(request, user.username)
    note("log-in", request, account=user.pk)


@receiver(user_logged_out)
def session_ends(request: HttpRequest, user: User | None, **_: Any) -> None:
    """Note a log-out."""
    if user is not None:
        note("log-out", request, account=user.pk)


@receiver(authentication_step_completed)
def confirmed(request: HttpRequest, user: User, method: str, **more: Any) -> None:
    """Keep a confirmation given on one of the library's pages, with the page it was given for."""
    if more.get("reauthenticated"):
        page = request.POST.get("next") or request.GET.get("next") or ""
        note_confirmation(request, user, page=page, factor=method == "mfa")


@receiver(user_login_failed)
def log_in_failed(credentials: dict[str, Any], request: HttpRequest | None = None, **_: Any) -> None:
    """Note a failed log-in; the account's key only when there is one, since what was typed may be a password."""
    user = User.objects.filter(username__iexact=credentials.get("username") or "").first()
    note("log-in failed", request, level=logging.WARNING, account=user and user.pk)


@receiver(authentication_failed)
def factor_failed(request: HttpRequest, user: User, **_: Any) -> None:
    """Note a wrong code or passkey."""
    note("second factor failed", request, level=logging.WARNING, account=user.pk)
