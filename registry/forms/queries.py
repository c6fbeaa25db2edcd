"""Forms of a query on the data."""

from __future__ import annotations

from typing import Any

from django import forms

from registry.described.kind import RecordKind
from registry.forms.base import PageForm
from registry.models import new_key


def _words(label: str, **options: Any) -> forms.CharField:
    return forms.CharField(label=label, max_length=2000, widget=forms.Textarea(attrs={"rows": 3}), **options)


class RaiseForm(PageForm):
    """What is asked, and about which field."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_key)
    field = forms.ChoiceField(label="Which field", required=False)
    text = _words("Question", error_messages={"required": "Question: write your question."})

    def __init__(self, *args: Any, subject: RecordKind, **options: Any) -> None:
        """Offer the record's fields."""
        super().__init__(*args, **options)
        field = self.fields["field"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - tells the type checker
        field.choices = [("", "The whole record"), *((one.name, one.label) for one in subject.worded_fields)]


class SayForm(PageForm):
    """What is said about a query; the button pressed says what for."""

    act = forms.ChoiceField(choices=[(name, name) for name in ("answer", "close", "reopen")], widget=forms.HiddenInput)
    text = _words("Answer or reason", required=False)
