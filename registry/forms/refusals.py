"""What a service refused, on the form that asked for it: beside the fields, as a question, or as two versions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms
from django.http import QueryDict
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format

from registry.clinical.quantities import BY_FIELD
from registry.errors import Conflict, NeedsConfirmation, RuleBroken
from registry.forms.rules import apply_rule
from registry.forms.watched import WatchedForm
from registry.models.constraints import RANGE


@dataclass(frozen=True)
class Difference:
    """A field on which two writers disagree, in words."""

    label: str
    yours: str
    stored: str


class WritingForm(WatchedForm):
    """A form that writes one record under the version it was read at.

    A record changed since then comes back as a conflict: both versions are shown, and the form is armed to replace
    the stored one. A form with a field ``confirmed`` shows it once a service asks for a confirmation.
    """

    version_field = "version"

    def __init__(self, *args: Any, **options: Any) -> None:
        """Make the form."""
        super().__init__(*args, **options)
        self.conflict: list[Difference] = []
        if "confirmed" in self.fields and self.data.get(self.add_prefix("confirmed")):
            self._ask_confirmation()

    def take(self, error: RuleBroken | Conflict) -> None:
        """Show what a service refused."""
        if isinstance(error, Conflict) and "version" in error.stored:
            self.conflict = self._differences(error)
            self._rebind(self.version_place(error), error.stored["version"])
            self.add_error(None, "Somebody else has changed this since you opened it. Choose which version to keep.")
            return
        if isinstance(error, NeedsConfirmation) and "confirmed" in self.fields:
            self._ask_confirmation()
        apply_rule(self, error if isinstance(error, Conflict) else self._worded(error))

    def _ask_confirmation(self) -> None:
        self.fields["confirmed"].widget = forms.CheckboxInput()

    def place(self, error: Conflict, name: str) -> str:
        """Return the form's field for a field of the record that the conflict is about."""
        return name

    def version_place(self, error: Conflict) -> str:
        """Return the form's field for the version of that record."""
        return self.version_field

    def _rebind(self, name: str, value: Any) -> None:
        data = QueryDict(mutable=True)
        data.update(self.data)
        data[self.add_prefix(name)] = value
        self.data = data
        self.full_clean()

    def _worded(self, error: RuleBroken) -> RuleBroken:
        """Name quantity and unit in a message about a range; the constraint knows neither."""
        fields = {}
        for name, messages in error.fields.items():
            field = self.fields.get(name)
            if field is not None:
                # A field whose unit is chosen beside it states none: the range is in the stored one.
                unit = getattr(field, "unit", "") or (BY_FIELD[name].unit if name in BY_FIELD else "")
                told = rf"{field.label}: enter a value from \1 to \2{f' {unit}' if unit else ''}, "
                messages = [RANGE.sub(told, message) for message in messages]
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
        moment = parse_datetime(text) if isinstance(self.fields[name], forms.DateTimeField) else None
        return date_format(timezone.localtime(moment), "j F Y, H:i:s") if moment else text
