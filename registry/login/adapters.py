"""Where the log-in library asks what it should do here."""

from __future__ import annotations

import logging
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from registry.errors import RuleBroken
from registry.login import access_log, limits, single_sign_on
from registry.login.reauthentication import check_password
from registry.login.second_factor import factors_of, needed_from
from registry.models.encrypted import cipher


class AccountAdapter(DefaultAccountAdapter):
    """Accounts are made by an administrator; nobody signs up, and no mail is sent."""

    error_messages = DefaultAccountAdapter.error_messages | {
        "username_password_mismatch": "The user name or password is not correct. Check capital letters and try again.",
        "incorrect_password": "This password is not correct. Check capital letters and try again.",
        "enter_current_password": "This is not your current password.",
        "too_many_login_attempts": "Too many failed attempts. Wait five minutes, then try again.",
        "rate_limited": "Too many attempts. Wait five minutes, then try again.",
        "incorrect_code": "This code is not correct. Enter the code shown now.",
        "account_inactive": "This account is closed.",
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Say no: an administrator invites."""
        return False

    def is_reauthentication_required(self, *, app: str, **kwargs: Any) -> bool:
        """Leave it to our own guards (``registry/login/guards.py``), which also ask by what means."""
        return False

    def pre_login(self, request: HttpRequest, user: Any, **known: Any) -> HttpResponse | None:
        """Send on who may log in only at the hospital's provider, whether by password or passkey."""
        answer: HttpResponse | None = super().pre_login(request, user, **known)
        if answer is None and "sociallogin" not in (known["signal_kwargs"] or {}) and single_sign_on.only_there(user):
            access_log.note("local log-in is closed", request, level=logging.WARNING, account=user.pk)
            messages.error(request, f"Your centre has closed log-in by password: use {settings.OIDC_NAME}.")
            return redirect("login")
        return answer

    def pre_authenticate(self, request: HttpRequest, **credentials: Any) -> None:
        """Count an attempt to log in in our way, not by user name alone."""
        if not limits.may_log_in(request, credentials.get("username", "")):
            access_log.note("log-in stopped after too many attempts", request, level=logging.WARNING)
            raise self.validation_error("too_many_login_attempts")

    def authenticate(self, request: HttpRequest, **credentials: Any) -> Any:
        """Check a user name and password."""
        user = super().authenticate(request, **credentials)
        if user is not None:
            limits.logged_in(request, credentials.get("username", ""))
        return user

    def reauthenticate(self, user: Any, password: str) -> bool:
        """Check the password of somebody logged in, counted by session."""
        try:
            check_password(context.request, password, limits.CONFIRM)
        except RuleBroken as error:
            raise ValidationError(str(error)) from None
        return True

    def get_client_ip(self, request: HttpRequest) -> str:
        """Return the address a request came from."""
        return access_log.origin(request)

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
