"""Pages: entering and correcting what happens to a patient. One flow for every kind of record."""

from __future__ import annotations

from typing import Any, cast
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from registry.access import Right, require
from registry.clinical.event_definitions import DEFINITIONS, SEVERITY
from registry.errors import Conflict, RuleBroken
from registry.forms.base import RecordForm
from registry.forms.patients import DeathForm, IdentityForm, PatientDetailsForm
from registry.forms.rules import apply_rule
from registry.kinds import KINDS
from registry.models import EventKind, Patient
from registry.selectors.patients import find_patient
from registry.services.identity import correct_identity, fingerprint
from registry.services.patients import describe_patient, record_death
from registry.views.errors import status_of
from registry.views.request import MemberRequest

# By the word in their address.
ON_PAGES = {kind.page.address: kind for kind in KINDS if kind.page is not None}


@require_http_methods(["GET", "POST"])
def record(request: MemberRequest, patient_key: UUID, kind: str, key: UUID | None = None) -> HttpResponse:
    """Enter a new record, or with its key correct a stored one."""
    patient = find_patient(request.user, patient_key, Right.WRITE_REGISTRY)
    described = ON_PAGES[kind]
    page = described.page
    assert page is not None  # noqa: S101 - for the type checker
    assert described.put is not None  # noqa: S101
    stored = described.of_patient(patient).get(pk=key) if key else None
    status = 200 if request.method == "GET" else 422
    form_class = cast("type[RecordForm]", described.forms[0])
    form = form_class(request.POST or None, record=stored, **page.options(patient))
    if request.method == "POST" and form.is_valid():
        form_key, version = form.identity()
        try:
            described.put(by=request.user, patient=patient, key=key or form_key, version=version, **form.values())
        except (RuleBroken, Conflict) as error:
            form.take(error)
            status = status_of(error)
        else:
            messages.success(request, f"The {page.name} has been saved.")
            return redirect("registry:patient", patient.pk)
    title = f"Correct the {page.name}" if stored else f"New {page.name}"
    context = {"form": form, "patient": patient, "title": title, "verb": "Save", "notes": page.notes}
    context["record"] = stored
    if page.notes:
        context["definitions"] = [(kind.label, DEFINITIONS[kind]) for kind in EventKind]
        context["severity"] = SEVERITY
    return render(request, "registry/patient_form.html", context, status=status)


@require_http_methods(["GET", "POST"])
def details(request: MemberRequest, patient_key: UUID) -> HttpResponse:
    """Correct sex and cause of the heart failure, or record that the follow-up here has ended."""
    patient = find_patient(request.user, patient_key, Right.WRITE_REGISTRY)
    status = 200 if request.method == "GET" else 422
    form = PatientDetailsForm(request.POST or None, record=patient)
    if request.method == "POST" and form.is_valid():
        try:
            describe_patient(by=request.user, patient=patient, version=form.identity()[1], **form.values())
        except (RuleBroken, Conflict) as error:
            form.take(error)
            status = status_of(error)
        else:
            messages.success(request, "The patient's details have been saved.")
            return redirect("registry:patient", patient.pk)
    context = {"form": form, "patient": patient, "title": "Details", "verb": "Save"}
    return render(request, "registry/patient_form.html", context, status=status)


@require_http_methods(["GET", "POST"])
def identity(request: MemberRequest, patient_key: UUID) -> HttpResponse:
    """Correct name, birth date or hospital number."""
    patient = find_patient(request.user, patient_key, Right.WRITE_REGISTRY)
    require(request.user, patient.centre_id, Right.SEE_IDENTITY)
    shown = {name: getattr(patient.identity, name) for name in ("local_identifier", "family_name", "given_name")}
    shown |= {"birth_date": patient.identity.birth_date, "seen": fingerprint(patient.identity)}
    form = IdentityForm(request.POST or None, initial=shown)
    if request.method == "POST" and form.is_valid():
        try:
            correct_identity(by=request.user, patient=patient, **form.cleaned_data)
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            messages.success(request, "The identifiers have been saved.")
            return redirect("registry:patient", patient.pk)
    context = {"form": form, "patient": patient, "title": "Name, birth date and hospital number", "verb": "Save"}
    return render(request, "registry/patient_form.html", context, status=422 if form.errors else 200)


def death_of(patient: Patient) -> dict[str, Any]:
    """Return what is recorded of a patient's death; nothing is chosen beforehand while the patient lives."""
    return {"died_on": patient.died_on, "death_cause": patient.death_cause} if patient.died_on else {}


@require_http_methods(["GET", "POST"])
def death(request: MemberRequest, patient_key: UUID) -> HttpResponse:
    """Record the day of death, or correct it."""
    patient = find_patient(request.user, patient_key, Right.WRITE_REGISTRY)
    form = DeathForm(request.POST or None, initial=death_of(patient))
    if request.method == "POST" and form.is_valid():
        try:
            record_death(by=request.user, patient=patient, **form.cleaned_data)
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            messages.success(request, "The date of death has been saved.")
            return redirect("registry:patient", patient.pk)
    context = {"form": form, "patient": patient, "title": "Date of death", "verb": "Save"}
    return render(request, "registry/patient_form.html", context, status=422 if form.errors else 200)
