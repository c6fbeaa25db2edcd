"""Forms of a session as a whole: opening, describing, logging, signing, finding."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

from procedures.forms.base import EntryForm
from procedures.forms.fields import MomentField, offer, pick, radios, words
from procedures.models import BaselinePacing, EntryKind, Outcome, ProcedureKind, Session, Status
from procedures.selectors.sessions import sessions_for
from registry.access import Right, people_with
from registry.forms.fields import NumberField
from registry.forms.watched import WatchedForm
from registry.models import Patient, User, new_key
from registry.models.encrypted import digests
from registry.selectors.patients import patients_for

SUGGESTIONS = 50


def find_patients(user: User, wanted: str) -> list[Patient]:
    """Return the patients the text can mean: a code, or for those who may see it a hospital number."""
    text = wanted.strip()
    if not text:
        return []
    found = list(patients_for(user, Right.WRITE_SESSIONS).filter(code__iexact=text).select_related("centre")[:5])
    if not found:
        known = patients_for(user, Right.SEE_IDENTITY).filter(identity__local_identifier_digest__in=digests(text))
        found = list(known.select_related("centre")[:5])
    return found


class SessionFilter(forms.Form):
    """What the list shows."""

    q = forms.CharField(label="Session or patient code", required=False, max_length=40, strip=True)
    status = forms.ChoiceField(label="Status", choices=[("", "All"), *Status.choices], required=False)
    year = forms.TypedChoiceField(label="Year", coerce=int, empty_value=None, required=False)

    def __init__(self, data: Any, *, user: User) -> None:
        super().__init__(data, use_required_attribute=False, auto_id="filter_%s")
        years = [day.year for day in sessions_for(user).dates("started_at", "year", order="DESC")]
        offer(self, "year", [("", "All"), *((year, year) for year in years)])


class NewSessionForm(WatchedForm):
    """Opening a session."""

    field_order = ("patient", "started_at")

    key = forms.UUIDField(widget=forms.HiddenInput)
    patient = forms.CharField(
        label="Patient",
        max_length=60,
        help_text="The patient's code, such as P-0012, or the hospital number.",
        widget=forms.TextInput(attrs={"list": "patients", "autocomplete": "off", "spellcheck": "false"}),
        error_messages={"required": "Enter the patient's code or hospital number."},
    )
    procedure = radios(ProcedureKind.choices, "Kind of procedure")
    baseline_pacing = radios(BaselinePacing.choices, "Baseline that sites are compared with")
    started_at = MomentField(label="Start of the session")

    def __init__(self, data: Any = None, *, user: User, patient: str = "") -> None:
        initial = {"key": new_key(), "patient": patient, "started_at": timezone.now().replace(microsecond=0)}
        super().__init__(data, initial=initial, use_required_attribute=False)
        self.user = user

    def clean_patient(self) -> Patient:
        """Find the one patient that is meant."""
        found = find_patients(self.user, self.cleaned_data["patient"])
        if not found:
            raise forms.ValidationError("No patient with this code or hospital number. Register the patient first.")
        if len(found) > 1:
            raise forms.ValidationError(
                "Several of your centres have a patient with this code. Use the hospital number."
            )
        return found[0]


class SessionDetailsForm(EntryForm):
    """What is recorded about the session as a whole."""

    says_optional = True
    field_order = ("outcome", "ended_at", "contrast_ml", "fluoroscopy_min", "dose_area_product_gy_cm2")

    procedure = pick(ProcedureKind.choices, "Kind of procedure")
    baseline_pacing = pick(BaselinePacing.choices, "Baseline that sites are compared with")
    operator = pick([], "Implanting physician", blank="Not recorded", required=False)
    started_at = MomentField(label="Start")
    ended_at = MomentField(label="End", required=False)
    outcome = pick(Outcome.choices, "Outcome of the session")
    contrast_ml = NumberField(label="Contrast", unit="mL", required=False)
    fluoroscopy_min = NumberField(label="Fluoroscopy time", unit="min", required=False)
    dose_area_product_gy_cm2 = NumberField(label="Dose-area product", unit="Gy·cm²", required=False)
    notes = words("Notes", required=False)

    def __init__(self, data: Any = None, *, session: Session, **options: Any) -> None:
        names = ["procedure", "baseline_pacing", "started_at", "ended_at", "outcome", "contrast_ml"]
        names += ["fluoroscopy_min", "dose_area_product_gy_cm2", "notes"]
        initial = {name: getattr(session, name) for name in names} | {"operator": str(session.operator_id or "")}
        super().__init__(data, session=session, record=session, initial=initial, **options)
        physicians = people_with(session.centre_id, Right.DECIDE)
        self.physicians = {str(user.pk): user for user in physicians.order_by("full_name")}
        if session.operator:
            self.physicians.setdefault(str(session.operator_id), session.operator)
        offer(self, "operator", [("", "Not recorded"), *((k, str(u)) for k, u in self.physicians.items())])

    @property
    def values(self) -> dict[str, Any]:
        """The fields of the record."""
        names = set(self.cleaned_data) - {"key", "version", "confirmed", "amendment_reason"}
        values = {name: self.cleaned_data[name] for name in names}
        return values | {"operator": self.physicians.get(values["operator"])}


class LogEntryForm(EntryForm):
    """A timed note."""

    on_paper = True
    says_optional = True
    wide = ("text",)

    kind = pick(EntryKind.choices, "Event")
    occurred_at = MomentField(label="When")
    text = forms.CharField(
        label="Remark",
        required=False,
        max_length=1000,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class SignForm(forms.Form):
    """The signature: checked, and by the person who is logged in."""

    checked = forms.BooleanField(
        label="I have checked this session. It is as complete as possible.",
        error_messages={"required": "Tick the box when you have checked the session."},
    )
    password = forms.CharField(
        label="Your password",
        required=False,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        help_text="Being logged in on a shared tablet is not enough to sign.",
    )
