"""Forms of a generator or lead."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms

from registry.forms.base import RecordForm
from registry.forms.fields import AnswerField, DayField, ListField, WordsField
from registry.models import Chamber, Device, DeviceKind, ExplantReason


def ask_chamber(form: forms.BaseForm, cleaned: Mapping[str, Any]) -> None:
    """Ask for the chamber of a lead, and for none of a generator."""
    if cleaned.get("kind") == DeviceKind.LEAD and not cleaned.get("chamber"):
        form.add_error("chamber", "Chamber of a lead: choose where the lead lies.")
    if cleaned.get("kind") == DeviceKind.GENERATOR and cleaned.get("chamber"):
        form.add_error("chamber", "Chamber of a lead: leave this empty for a generator.")


class DeviceForm(RecordForm):
    """An implanted part, and when it was taken out of service."""

    kind = AnswerField("Part", DeviceKind.choices)
    chamber = ListField("Chamber of a lead", [("", "Not applicable: generator"), *Chamber.choices], empty="")
    manufacturer = WordsField("Manufacturer", required=False)
    model_name = WordsField("Model")
    serial_number = WordsField("Serial number", max_length=60, required=False)
    udi = WordsField(
        "UDI as scanned", max_length=250, required=False, help_text="Scan the code on the label; do not edit the text."
    )
    implanted_on = DayField("Implanted on")
    explanted_on = DayField("Taken out of service on", required=False)
    explant_reason = ListField("Reason", [("", "In service"), *ExplantReason.choices], empty="")
    left_in_place = forms.BooleanField(label="Capped and left in the body", required=False)

    def __init__(self, *args: Any, models_known: list[str] | None = None, **options: Any) -> None:
        """Offer the names of the models the centre has, so that one model is written one way."""
        super().__init__(*args, **options)
        self.suggestions = {"models-known": models_known or []}
        self.fields["model_name"].widget.attrs["list"] = "models-known"

    def clean(self) -> dict[str, Any]:
        """Ask for what belongs together."""
        cleaned = super().clean() or {}
        ask_chamber(self, cleaned)
        if cleaned.get("explanted_on") and not cleaned.get("explant_reason"):
            self.add_error("explant_reason", "Reason: say why the device or lead was taken out of service.")
        for name in ("chamber", "serial_number", "udi", "explant_reason"):
            cleaned[name] = cleaned.get(name) or None
        return cleaned

    def shown(self, record: Any) -> dict[str, Any]:
        """Return the stored values."""
        assert isinstance(record, Device)  # noqa: S101 - tells the type checker
        values = super().shown(record)
        return values | {name: values[name] or "" for name in ("chamber", "explant_reason")}
