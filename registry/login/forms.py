"""The log-in library's forms in our words. What they check is the library's."""

from __future__ import annotations

from typing import Any

from allauth.account.adapter import get_adapter
from allauth.account.forms import ChangePasswordForm, LoginForm, ReauthenticateForm
from allauth.account.forms import SetPasswordForm as PasswordOfNoneForm
from allauth.core import context
from allauth.mfa.adapter import get_adapter as get_factor_adapter
from allauth.mfa.base import forms as second_factor
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.forms import ActivateTOTPForm
from allauth.mfa.webauthn.forms import AddWebAuthnForm
from django import forms
from django.contrib.auth.forms import SetPasswordForm

from registry.login import limits


class _Ours(forms.Form):
    """Labels without a colon, fields without placeholders, and what is missing said by the server."""

    use_required_attribute = False
    labels: dict[str, str] = {}
    hints: dict[str, str] = {}

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **{"label_suffix": ""} | options)
        for name, field in self.fields.items():
            field.label = self.labels.get(name, field.label)
            field.help_text = self.hints.get(name, "")
            field.widget.attrs.pop("placeholder", None)


class LogInForm(_Ours, LoginForm):
    """User name and password."""

    labels = {"login": "User name"}

    def add_prefix(self, field_name: str) -> str:
        """Name the first field for what it is; password managers know the name."""
        return super().add_prefix("username" if field_name == "login" else field_name)


class ConfirmForm(_Ours, ReauthenticateForm):
    """The password of the person who is logged in."""

    labels = {"password": "Your password"}


class NewPasswordForm(_Ours, ChangePasswordForm):
    """A new password, with the present one."""

    labels = {"oldpassword": "Current password", "password1": "New password", "password2": "New password again"}
    hints = {"password1": "At least 12 characters. A few unrelated words are easy to remember."}


class OwnFirstPasswordForm(_Ours, PasswordOfNoneForm):
    """A password for an account that has none yet."""

    labels = {"password1": "New password", "password2": "New password again"}
    hints = NewPasswordForm.hints


class FirstPasswordForm(_Ours, SetPasswordForm):
    """The password of somebody who holds a one-time link."""

    labels = {"new_password1": "New password", "new_password2": "New password again"}


class CodeForm(_Ours, second_factor.AuthenticateForm):
    """A code of the authenticator app, or a recovery code, to log in."""

    labels = {"code": "Code"}
    hints = {"code": "The six digits shown in your authenticator app, or one of your recovery codes."}


class ConfirmCodeForm(_Ours, second_factor.ReauthenticateForm):
    """The same, to confirm. Wrong codes are counted by session: at a locked tablet anybody can type some."""

    labels = CodeForm.labels
    hints = CodeForm.hints

    def clean_code(self) -> str:
        """Check the code against the app and the recovery codes of the person."""
        if not limits.may_try(context.request, limits.CONFIRM):
            raise get_adapter().validation_error("rate_limited")
        own = Authenticator.objects.filter(user=self.user).exclude(type=Authenticator.Type.WEBAUTHN)
        for one in own:
            if one.wrap().validate_code(self.cleaned_data["code"]):
                one.user, self.authenticator = self.user, one
                limits.succeeded(context.request, limits.CONFIRM)
                return str(self.cleaned_data["code"])
        for one in own[:1]:
            self._emit_authentication_failed(one)
        raise get_factor_adapter().validation_error("incorrect_code")


class FirstCodeForm(_Ours, ActivateTOTPForm):
    """The first code of a new authenticator app."""

    labels = {"code": "Code shown in the app"}


class NewPasskeyForm(_Ours, AddWebAuthnForm):
    """A new passkey."""

    labels = {"name": "Name of this passkey", "passwordless": "Use this passkey to log in without the password"}
    hints = {"name": "For example 'my phone' or 'blue key'."}
