"""Forms of the administrator: a centre, a new member, a role, the end of a membership."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.utils import timezone

from registry.forms.base import PageForm
from registry.forms.fields import AnswerField, CountField, DayField, WordsField
from registry.models import Centre, Role


class ComingDayField(DayField):
    """A day that may lie ahead."""

    default_validators = []


class NewCentreForm(PageForm):
    """A further centre."""

    code = forms.SlugField(
        label="Short name",
        max_length=20,
        help_text="Lower-case letters, digits and hyphens. It is part of web addresses and cannot be changed later.",
    )
    name = WordsField("Name", max_length=120)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["code"].error_messages["invalid"] = "Short name: use lower-case letters, digits and hyphens only."

    def clean_code(self) -> str:
        """Keep the short name in small letters."""
        return str(self.cleaned_data["code"]).lower()


class CentreForm(PageForm):
    """A centre's name and what it asks of its members."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    name = WordsField("Name", max_length=120)
    second_factor_from = ComingDayField(
        "Second factor required from",
        required=False,
        help_text="From this date, everyone who sees identifiers also needs an app or passkey to log in. Until then "
        "they are reminded. Leave empty to require the password only.",
    )
    idle_lock_min = CountField(
        "Lock the screen after",
        "min",
        required=True,
        help_text="1 to 240 minutes without activity. For staff of several centres the shortest time applies.",
    )

    local_log_in_closed = forms.BooleanField(
        label="Log in only at the hospital's log-in",
        required=False,
        help_text="Passwords and passkeys then no longer log in members of this centre, except administrators. They "
        "still unlock a screen and confirm a signature.",
    )

    def __init__(self, *args: Any, centre: Centre, **options: Any) -> None:
        names = ("version", "name", "second_factor_from", "idle_lock_min", "local_log_in_closed")
        super().__init__(*args, initial={name: getattr(centre, name) for name in names}, **options)
        if not settings.OIDC_URL:
            del self.fields["local_log_in_closed"]


class RoleForm(PageForm):
    """A role."""

    role = AnswerField("Role", Role.choices)


class NewMemberForm(RoleForm):
    """Somebody who joins the centre."""

    wide = ("role",)

    full_name = WordsField("Name", max_length=120, help_text="As colleagues know them, with title.")
    username = WordsField(
        "User name",
        max_length=150,
        validators=[UnicodeUsernameValidator()],
        error_messages={"invalid": "User name: use letters, digits and @ . + - _ only, without spaces."},
        help_text="For log-in. If the person already has an account in another centre, enter that user name.",
    )
    field_order = ("full_name", "username", "role")


class NameForm(PageForm):
    """A member's name."""

    full_name = WordsField("Name", max_length=120)


class EndForm(PageForm):
    """The day from which a membership gives no right any more."""

    ended_on = ComingDayField(
        "No rights from", help_text="Today's date ends the rights immediately. The membership stays on record."
    )
    reason = WordsField("Reason", max_length=200, required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, initial={"ended_on": timezone.localdate()}, **options)

    def clean_ended_on(self) -> dt.date:
        """Refuse a past day: what somebody did until now was done with the right."""
        day: dt.date = self.cleaned_data["ended_on"]
        if day < timezone.localdate():
            raise forms.ValidationError("The date is in the past. Enter today or a later date.")
        return day


class ReasonForm(PageForm):
    """Why a second factor is taken off."""

    reason = WordsField("Reason", max_length=200, help_text="For example: phone lost, identity checked in person.")


class UnlockForm(PageForm):
    """The password of the person whose session is locked."""

    password = forms.CharField(
        label="Your password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password", "autofocus": True}),
        error_messages={"required": "Enter your password."},
    )
