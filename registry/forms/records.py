"""Forms of what happens to a patient: assessment, adverse event, consent."""

from __future__ import annotations

from typing import Any

from django import forms

from registry.forms.base import RecordForm
from registry.forms.fields import AnswerField, DayField, NumberField
from registry.models import (
    AssessmentKind,
    ConsentScope,
    EventKind,
    Morphology,
    Record,
    Relation,
    Rhythm,
    Severity,
)

NYHA = [("1", "I"), ("2", "II"), ("3", "III"), ("4", "IV"), ("unknown", "Not known")]


class AssessmentForm(RecordForm):
    """A clinical state on one day; a number left empty is stored as not measured."""

    kind = AnswerField("When", AssessmentKind.choices)
    assessed_on = DayField("Day of the assessment")
    nyha_class = AnswerField("NYHA class", NYHA)
    rhythm = AnswerField("Atrial rhythm", Rhythm.choices)
    qrs_morphology = AnswerField("QRS morphology", Morphology.choices)
    qrs_duration_ms = NumberField("QRS duration", "ms", required=False)
    lvef_percent = NumberField("LVEF", "%", required=False)
    lvedv_ml = NumberField("LVEDV", "mL", required=False)
    lvesv_ml = NumberField("LVESV", "mL", required=False)
    nt_probnp_pg_per_ml = NumberField("NT-proBNP", "pg/mL", required=False)
    creatinine_umol_per_l = NumberField("Creatinine", "µmol/L", required=False)
    systolic_mmhg = NumberField("Systolic pressure", "mmHg", required=False)
    diastolic_mmhg = NumberField("Diastolic pressure", "mmHg", required=False)
    six_minute_walk_m = NumberField("Six-minute walk", "m", required=False)

    def shown(self, record: Record) -> dict[str, Any]:
        """Return the stored values; a missing NYHA class is the answer "Not known"."""
        values = super().shown(record)
        return values | {"nyha_class": values["nyha_class"] or "unknown"}

    def clean_nyha_class(self) -> int | None:
        """Return the class as a number, or nothing when it is not known."""
        answer = self.cleaned_data["nyha_class"]
        return None if answer == "unknown" else int(answer)


class AdverseEventForm(RecordForm):
    """Something that went wrong."""

    kind = forms.ChoiceField(
        label="What happened",
        choices=[("", "Choose"), *EventKind.choices],
        error_messages={"required": "What happened: choose one of the list."},
    )
    occurred_on = DayField("Day it happened")
    severity = AnswerField("Severity", Severity.choices)
    relation = AnswerField("Relation to the procedure", Relation.choices)
    description = forms.CharField(label="Description", required=False, widget=forms.Textarea(attrs={"rows": 3}))


class ConsentForm(RecordForm):
    """A consent; its withdrawal is entered on the same consent, which is kept."""

    scope = AnswerField("Agreed to", ConsentScope.choices)
    given_on = DayField("Given on")
    withdrawn_on = DayField("Withdrawn on", required=False, help_text="Leave empty while the consent stands.")
