"""Forms about a patient as a person."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from registry.forms.base import PageForm, RecordForm
from registry.forms.fields import AnswerField, DayField, ListField, WordsField
from registry.models import Aetiology, Centre, DeathCause, EndOfFollowUp, Sex
from registry.selectors.duplicates import LookAlike
from registry.services.identity import CorrectionReason


class SearchForm(PageForm):
    """Find a patient. It is posted, so that no identifier stands in an address or a server's log."""

    sought = WordsField("Code or hospital number", max_length=60)


class PatientForm(RecordForm):
    """Register a patient."""

    centre = forms.ModelChoiceField(Centre.objects.none(), label="Centre", empty_label=None)
    local_identifier = WordsField("Hospital number", max_length=60)
    family_name = WordsField("Family name")
    given_name = WordsField("Given name")
    birth_date = DayField("Birth date")
    sex = AnswerField("Sex", Sex.choices)
    aetiology = AnswerField("Cause of heart failure", Aetiology.choices)
    another_person = forms.BooleanField(
        label="It is a different person: register a new patient", required=False, widget=forms.HiddenInput
    )
    asked_about = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, centres: Sequence[Centre], **options: Any) -> None:
        """Offer the centres the person may write in; with one there is nothing to choose."""
        super().__init__(*args, **options)
        field = self.fields["centre"]
        assert isinstance(field, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        field.queryset = Centre.objects.filter(pk__in=[centre.pk for centre in centres])
        if len(centres) == 1:
            field.initial = centres[0]
            field.widget = forms.HiddenInput()
        self.alike: Sequence[LookAlike] = ()

    def ask(self, alike: Sequence[LookAlike]) -> None:
        """Show the patients who look like the person, and the box that says they are others."""
        self.alike = alike
        box = self.fields["another_person"]
        box.widget, box.wide = forms.CheckboxInput(), True  # type: ignore[attr-defined] # read by the renderer
        self.order_fields(["another_person"])
        # The answer holds for those shown: a name corrected since may look like somebody else.
        self._rebind("another_person", "")
        self._rebind("asked_about", " ".join(str(one.patient.pk) for one in alike))
        self.add_error(
            "another_person",
            "Could this be the same person? Check the patients listed. Tick the box if it is a different person.",
        )

    def others(self) -> set[str]:
        """Return the keys of the patients who were shown and said to be other people."""
        return set(self.cleaned_data["asked_about"].split()) if self.cleaned_data["another_person"] else set()

    def values(self) -> dict[str, Any]:
        """Leave out the question."""
        question = ("another_person", "asked_about")
        return {name: value for name, value in super().values().items() if name not in question}


class IdentityForm(PageForm):
    """Correct who a code stands for."""

    says_optional = True

    seen = forms.CharField(widget=forms.HiddenInput)
    local_identifier = WordsField("Hospital number", max_length=60)
    family_name = WordsField("Family name")
    given_name = WordsField("Given name")
    birth_date = DayField("Birth date")
    reason = AnswerField("Reason for the correction", CorrectionReason.choices)


class DeathForm(PageForm):
    """Record the day of death."""

    says_optional = True

    died_on = DayField("Date of death")
    death_cause = AnswerField("Cause", DeathCause.choices)


class PatientDetailsForm(RecordForm):
    """What is recorded of the patient apart from the identifiers."""

    sex = AnswerField("Sex", Sex.choices)
    aetiology = AnswerField("Cause of heart failure", Aetiology.choices)
    follow_up_ended_on = DayField("Follow-up here ended on", required=False)
    follow_up_ended_because = ListField(
        "Reason for the end of follow-up", [("", "Not ended"), *EndOfFollowUp.choices], empty=""
    )

    def clean(self) -> dict[str, Any]:
        """Ask for day and reason together."""
        cleaned = super().clean() or {}
        cleaned["follow_up_ended_because"] = cleaned.get("follow_up_ended_because") or None
        if cleaned["follow_up_ended_because"] and not cleaned.get("follow_up_ended_on"):
            self.add_error("follow_up_ended_on", "Follow-up here ended on: enter the date.")
        if cleaned.get("follow_up_ended_on") and not cleaned["follow_up_ended_because"]:
            self.add_error("follow_up_ended_because", "Reason: choose why follow-up ended.")
        return cleaned

    def shown(self, record: Any) -> dict[str, Any]:
        """Return the stored values."""
        values = super().shown(record)
        return values | {"follow_up_ended_because": values["follow_up_ended_because"] or ""}
