"""What is noted when somebody logs in, and when a log-in fails."""

from __future__ import annotations

from typing import Any

from allauth.mfa.signals import authentication_failed
from django.contrib.auth.signals import user_logged_in, user_login_failed
from django.dispatch import receiver
from django.http import HttpRequest

from registry.login import idle
from registry.login.access_log import log, origin
from registry.models import User


@receiver(user_logged_in)
def session_begins(request: HttpRequest, user: User, **_: Any) -> None:
    """Start the idle watch of the new session."""
    idle.begin(request, user)


@receiver(user_login_failed)
def log_in_failed(credentials: dict[str, Any], request: HttpRequest | None = None, **_: Any) -> None:
    """Note a failed log-in; the account's key only when there is one, since what was typed may be a password."""
    user = User.objects.filter(username__iexact=credentials.get("username") or "").first()
    log.warning("log-in failed: account %s, from %s", user.pk if user else "unknown", origin(request))


@receiver(authentication_failed)
def factor_failed(request: HttpRequest, user: User, **_: Any) -> None:
    """Note a wrong code or passkey."""
    log.warning("second factor failed: account %s, from %s", user.pk, origin(request))
