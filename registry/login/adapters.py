"""Where the log-in library asks what it should do here."""

from __future__ import annotations

from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from django.http import HttpRequest
from django.utils import timezone

from registry.login.reauthentication import recently_confirmed
from registry.login.second_factor import factors_of, needed_from
from registry.models.encrypted import cipher


class AccountAdapter(DefaultAccountAdapter):
    """Accounts are made by an administrator; nobody signs up, and no mail is sent."""

    error_messages = DefaultAccountAdapter.error_messages | {
        "username_password_mismatch": "The user name or password is not correct. Check capital letters and try again.",
        "incorrect_password": "This password is not correct. Check capital letters and try again.",
        "enter_current_password": "This is not your current password.",
        "too_many_login_attempts": "Too many failed attempts. Wait five minutes, then try again.",
        "rate_limited": "Too many attempts. Wait a minute, then try again.",
        "incorrect_code": "This code is not correct. Enter the code shown now.",
        "account_inactive": "This account is closed.",
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Say no: an administrator invites."""
        return False

    def is_reauthentication_required(self, *, app: str, **kwargs: Any) -> bool:
        """Ask nobody twice: the password given for a signature counts on the library's pages too."""
        return not recently_confirmed(context.request)

    def get_client_ip(self, request: HttpRequest) -> str:
        """Return the address a request came from; a log-in without a connection (a test, a socket) has none."""
        if not request.META.get("REMOTE_ADDR"):
            request.META["REMOTE_ADDR"] = "0.0.0.0"  # noqa: S104 - "no address", not an interface to listen on
        return str(super().get_client_ip(request))

    def send_notification_mail(self, *args: Any, **options: Any) -> None:
        """Send nothing: this service knows no addresses."""


class SecondFactorAdapter(DefaultMFAAdapter):
    """Secrets of second factors are kept encrypted, with the key that stays outside the database."""

    error_messages = DefaultMFAAdapter.error_messages | {
        "incorrect_code": "This code is not correct. Enter the code shown now, or an unused recovery code.",
        "cannot_delete_authenticator": "Your centre asks for a second factor: add another one before you remove this "
        "one.",
    }

    def can_delete_authenticator(self, authenticator: Authenticator) -> bool:
        """Keep the last second factor of somebody whose centre asks for one."""
        user = authenticator.user
        day = needed_from(user)
        return day is None or day > timezone.localdate() or factors_of(user) > 1

    def encrypt(self, text: str) -> str:
        """Encrypt a secret before it is stored."""
        return cipher().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        """Read a stored secret."""
        return cipher().decrypt(encrypted_text.encode()).decode()
