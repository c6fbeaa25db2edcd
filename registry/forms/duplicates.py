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

    wide = ("answer", "reason")

    answer = AnswerField("Decision", ())
    reason = WordsField("Reason", max_length=200, help_text="Recorded in the change trail. Do not enter names.")

    def __init__(self, *args: Any, pair: tuple[Patient, Patient], **options: Any) -> None:
        """Offer both codes."""
        super().__init__(*args, **options)
        first, second = pair
        field = self.fields["answer"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - tells the type checker
        field.choices = [
            ("first", f"Same person: keep {first.code}, move the records of {second.code} to it"),
            ("second", f"Same person: keep {second.code}, move the records of {first.code} to it"),
            (APART, "Two different people: do not ask again"),
        ]


class UndoForm(PageForm):
    """Undo a merge."""

    wide = ("reason",)

    reason = WordsField("Reason", max_length=200, help_text="Recorded in the change trail. Do not enter names.")


class LooksForm(PageForm):
    """Narrow the list of looks to one patient."""

    patient = WordsField("Patient code", max_length=60, required=False)
