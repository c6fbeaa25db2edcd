"""Forms about one person under two codes."""

from __future__ import annotations

from typing import Any

from django import forms

from registry.forms.base import PageForm
from registry.forms.fields import AnswerField, WordsField
from registry.models import Patient

APART = "apart"


class PairForm(PageForm):
    """Judge a pair: one person, and which code stays, or two."""

    answer = AnswerField("What they are", ())
    reason = WordsField("Reason", max_length=200, help_text="It stands in the change trail. No names.")

    def __init__(self, *args: Any, pair: tuple[Patient, Patient], **options: Any) -> None:
        """Offer both codes."""
        super().__init__(*args, **options)
        first, second = pair
        field = self.fields["answer"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - tells the type checker
        field.choices = [
            ("first", f"One person: keep {first.code}, move the records of {second.code} to it"),
            ("second", f"One person: keep {second.code}, move the records of {first.code} to it"),
            (APART, "Two people: do not ask again"),
        ]


class UndoForm(PageForm):
    """Undo a merge."""

    reason = WordsField("Reason", max_length=200, help_text="It stands in the change trail. No names.")


class LooksForm(PageForm):
    """Narrow the list of looks to one patient."""

    patient = WordsField("Code of a patient", max_length=60, required=False)
