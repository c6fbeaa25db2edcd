"""Forms of the follow-up: what the queue shows, and a centre's schedule."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from registry.clinical.schedule import Visit
from registry.forms.base import PageForm
from registry.forms.fields import CountField, WordsField
from registry.models import Centre

SPARE_ROWS = 2


class QueueFilter(PageForm):
    """What the work queue shows."""

    state = forms.ChoiceField(
        label="State", choices=[("", "Due and overdue"), ("overdue", "Overdue"), ("due", "Due")], required=False
    )
    visit = forms.ChoiceField(label="Visit", choices=[], required=False)
    centre = forms.ChoiceField(label="Centre", choices=[], required=False)

    def __init__(self, *args: Any, centres: Sequence[Centre], visits: Sequence[str], **options: Any) -> None:
        """Offer the viewer's centres and the visits of their schedules."""
        super().__init__(*args, auto_id="filter_%s", **options)
        self.fields["visit"].choices = [("", "All"), *((label, label) for label in visits)]  # type: ignore[attr-defined] # a choice field
        self.fields["centre"].choices = [("", "All"), *((one.code, one.name) for one in centres)]  # type: ignore[attr-defined] # a choice field
        if len(centres) < 2:
            del self.fields["centre"]


class VisitForm(PageForm):
    """One planned visit; a row left empty is none."""

    label = WordsField("Visit", max_length=40, required=False)
    after_days = CountField("Days after the implant", required=False)
    early_days = CountField("Window opens, days before", required=False)
    late_days = CountField("Window closes, days after", required=False)
    repeats = forms.BooleanField(label="Repeats at the same interval", required=False)

    def clean(self) -> dict[str, Any]:
        """Ask for what belongs to a visit that has a name or a day."""
        cleaned = super().clean() or {}
        names = ("label", "after_days", "early_days", "late_days")
        if any(cleaned.get(name) not in (None, "") for name in names):
            for name in names:
                if cleaned.get(name) in (None, "") and name not in self.errors:
                    self.add_error(name, f"{self.fields[name].label}: enter it, or clear the whole row.")
        return cleaned

    def visit(self) -> Visit | None:
        """Return the visit, or None for an empty row."""
        data = self.cleaned_data
        if not data.get("label"):
            return None
        return Visit(data["label"], data["after_days"], data["early_days"], data["late_days"], data["repeats"])


ScheduleForms = forms.formset_factory(VisitForm, extra=SPARE_ROWS, max_num=20, validate_max=True, absolute_max=21)
