"""What the entry forms share: the key against doubling, the version against overwriting, confirmation and reason."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django import forms
from django.http import QueryDict
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format

from procedures.forms.fields import words
from procedures.models import Session, Status
from registry.errors import Conflict, NeedsConfirmation, RuleBroken
from registry.forms.fields import NumberField
from registry.forms.rules import apply_rule
from registry.models import Record, new_key

_RANGE = re.compile(r"^Enter a value from (\S+) to (\S+), ")


@dataclass(frozen=True)
class Difference:
    """A field on which two writers disagree, in words."""

    label: str
    yours: str
    stored: str


class EntryForm(forms.Form):
    """A form that writes one record of a session.

    ``key`` is minted when the empty form is shown, so that the same form sent twice writes once. ``version`` is the
    version that was read; a record changed since then comes back as a conflict.
    """

    key = forms.UUIDField(widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1)
    confirmed = forms.BooleanField(
        required=False, label="These values are right, although unusual", widget=forms.HiddenInput
    )

    def __init__(
        self,
        data: Mapping[str, Any] | None = None,
        *,
        session: Session,
        record: Record | None = None,
        initial: Mapping[str, Any] | None = None,
        **options: Any,
    ) -> None:
        start = {"key": record.pk if record else new_key(), "version": record.version if record else None}
        super().__init__(data, initial=start | dict(initial or {}), use_required_attribute=False, **options)
        self.session = session
        self.record = record
        self.conflict: list[Difference] = []
        if session.status == Status.SIGNED:
            self.fields["amendment_reason"] = words("Why is the signed session changed?", required=True)
            self.fields["amendment_reason"].error_messages["required"] = "Say why the signed session is changed."
        if data is not None and data.get("confirmed"):
            self._ask_confirmation()

    @property
    def guard(self) -> dict[str, Any]:
        """What every writing service takes: key, version and the reason of an amendment."""
        return {
            "key": self.cleaned_data["key"],
            "version": self.cleaned_data["version"],
            "reason": self.cleaned_data.get("amendment_reason", ""),
        }

    def take(self, error: RuleBroken | Conflict) -> None:
        """Show what a service refused; a conflict shows both versions and arms the form to replace the stored one."""
        if isinstance(error, Conflict):
            self.conflict = self._differences(error)
            self._rebind(self.version_place(error), error.stored["version"])
            self.add_error(None, "Somebody else has changed this since you opened it. Choose which version to keep.")
            return
        if isinstance(error, NeedsConfirmation):
            self._ask_confirmation()
        apply_rule(self, self._worded(error))

    def _ask_confirmation(self) -> None:
        self.fields["confirmed"].widget = forms.CheckboxInput()

    def place(self, error: Conflict, name: str) -> str:
        """Return the form's field for a field of the record that the conflict is about."""
        return name

    def version_place(self, error: Conflict) -> str:
        """Return the form's field for the version of that record."""
        return "version"

    def _rebind(self, name: str, value: Any) -> None:
        data = QueryDict(mutable=True)
        data.update(self.data)
        data[self.add_prefix(name)] = value
        self.data = data
        self.is_valid()

    def _worded(self, error: RuleBroken) -> RuleBroken:
        """Name quantity and unit in a message about a range; the constraint knows neither."""
        fields = {}
        for name, messages in error.fields.items():
            field = self.fields.get(name)
            if field is not None:
                unit = f" {field.unit}" if isinstance(field, NumberField) and field.unit else ""
                messages = [_RANGE.sub(rf"{field.label}: enter a value from \1 to \2{unit}, ", m) for m in messages]
            fields[name] = messages
        worded = type(error)(str(error))
        worded.fields = fields
        return worded

    def _differences(self, error: Conflict) -> list[Difference]:
        places = {self.place(error, name): name for name in error.yours}
        return [
            Difference(
                str(self.fields[place].label),
                self._say(place, error.yours[name]),
                self._say(place, error.stored.get(name)),
            )
            for place, name in places.items()
            if place in self.fields and error.yours[name] != error.stored.get(name)
        ]

    def _say(self, name: str, value: Any) -> str:
        text = str(value)
        choices = dict(getattr(self.fields[name], "choices", []))
        if text in choices:
            return str(choices[text])
        if text in {"None", ""}:
            return "not given"
        moment = parse_datetime(text) if ":" in text and text[:1].isdigit() else None
        return date_format(timezone.localtime(moment), "j F Y, H:i:s") if moment else text


def likely_moment(session: Session) -> dt.datetime:
    """Return the time to offer in an empty form: now during the session, else when it ended or began."""
    now = timezone.now().replace(microsecond=0)
    if session.started_at <= now <= session.started_at + dt.timedelta(hours=24):
        return now
    return session.ended_at or session.started_at
