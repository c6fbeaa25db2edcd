"""Forms of the parts of a session."""

from __future__ import annotations

from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import pick
from registry.forms.devices import ask_chamber
from registry.forms.fields import AnswerField, ListField, WordsField
from registry.models import Chamber, DeviceKind, ExplantReason

_VALUES = ("kind", "chamber", "manufacturer", "model_name", "serial_number", "udi")


class ImplantForm(EntryForm):
    """A generator or lead that the session implanted."""

    on_paper = True
    says_optional = True
    wide = ("udi",)

    kind = AnswerField("Part", DeviceKind.choices)
    chamber = ListField("Chamber of a lead", [("", "None: a generator"), *Chamber.choices], empty="")
    manufacturer = WordsField("Manufacturer", required=False)
    model_name = WordsField("Model")
    serial_number = WordsField("Serial number", max_length=60, required=False)
    udi = WordsField("UDI as scanned", max_length=250, required=False)

    def __init__(self, *args: Any, models_known: list[str], **options: Any) -> None:
        """Offer the names of the models the centre has, so that one model is written one way."""
        super().__init__(*args, **options)
        self.models_known = models_known
        self.fields["model_name"].widget.attrs["list"] = "models-known"

    def clean(self) -> dict[str, Any]:
        """Ask for the chamber of a lead."""
        cleaned = super().clean() or {}
        ask_chamber(self, cleaned)
        for name in ("chamber", "serial_number", "udi"):
            cleaned[name] = cleaned.get(name) or None
        return cleaned

    @property
    def values(self) -> dict[str, Any]:
        """The fields of the record."""
        return {name: self.cleaned_data[name] for name in _VALUES}


class ExplantForm(EntryForm):
    """That the session took a part out of service."""

    says_optional = True

    explant_reason = pick(ExplantReason.choices, "Reason")
    left_in_place = forms.BooleanField(label="Capped and left in the body", required=False)
