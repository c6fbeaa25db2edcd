"""Forms of what happens to a patient: adverse event, consent."""

from __future__ import annotations

from django import forms

from registry.forms.base import RecordForm
from registry.forms.fields import AnswerField, DayField, ListField, WordsField
from registry.models import ConsentScope, EventKind, Relation, Severity, Treatment


class AdverseEventForm(RecordForm):
    """Something that went wrong."""

    kind = forms.ChoiceField(
        label="Event",
        choices=[("", "Choose"), *EventKind.choices],
        error_messages={"required": "What happened: choose one from the list."},
    )
    occurred_on = DayField("Date of event")
    ended_on = DayField("Resolved or discharged on", required=False)
    severity = AnswerField("Severity", Severity.choices)
    relation = AnswerField("Relation to the procedure", Relation.choices)
    treatment = ListField("Treatment, the most intensive needed", Treatment.choices, empty=Treatment.UNKNOWN)
    description = forms.CharField(label="Description", required=False, widget=forms.Textarea(attrs={"rows": 3}))


class ConsentForm(RecordForm):
    """A consent; its withdrawal is entered on the same consent, which is kept."""

    scope = AnswerField("Consent to", ConsentScope.choices)
    given_on = DayField("Given on")
    document_version = WordsField(
        "Signed document",
        max_length=60,
        required=False,
        help_text="Name, date or version of the information sheet.",
    )
    withdrawn_on = DayField(
        "Withdrawn on",
        required=False,
        help_text="Leave empty while the consent is valid. From this date the patient is not included in new exports.",
    )
