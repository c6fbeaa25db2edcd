"""Forms about a patient as a person."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from registry.forms.base import PageForm, RecordForm
from registry.forms.fields import AnswerField, DayField, WordsField
from registry.models import Aetiology, Centre, Sex


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
    aetiology = AnswerField("Cause of the heart failure", Aetiology.choices)

    def __init__(self, *args: Any, centres: Sequence[Centre], **options: Any) -> None:
        """Offer the centres the person may write in; with one there is nothing to choose."""
        super().__init__(*args, **options)
        field = self.fields["centre"]
        assert isinstance(field, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        field.queryset = Centre.objects.filter(pk__in=[centre.pk for centre in centres])
        if len(centres) == 1:
            field.initial = centres[0]
            field.widget = forms.HiddenInput()


class DeathForm(PageForm):
    """Record the day of death."""

    died_on = DayField("Day of death")
