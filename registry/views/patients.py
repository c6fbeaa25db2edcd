"""Pages: the list of patients, one patient, and registering a new one."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from registry.access import Right, allowed, centres_for, require_somewhere
from registry.errors import Conflict, PerhapsKnown, RuleBroken
from registry.figures.course import course_figure
from registry.forms.patients import PatientForm, SearchForm
from registry.forms.rules import apply_rule
from registry.selectors import course
from registry.selectors.checks import checks
from registry.selectors.duplicates import left_behind, merged_codes
from registry.selectors.follow_up import standing_of
from registry.selectors.indication import indications
from registry.selectors.patients import age_on, consents_of, find_patient, patient_list, search_patients
from registry.services.patients import register_patient
from registry.views.request import MemberRequest

PAGE_SIZE = 50


@require_http_methods(["GET", "POST"])
def patients(request: MemberRequest) -> HttpResponse:
    """List the patients page by page; a search is posted and leads straight to the one it finds."""
    centres = require_somewhere(request.user, Right.SEE_IDENTITY)
    form = SearchForm(request.POST or None)
    found = patient_list(request.user)
    if request.method == "POST" and form.is_valid():
        found = search_patients(request.user, form.cleaned_data["sought"])
        matches = list(found[:2])
        if len(matches) == 1:
            return redirect("registry:patient", matches[0].pk)
        if not matches:
            form.add_error(
                "sought", "No patient has this code or hospital number. Check the list, or register the patient."
            )
            found = patient_list(request.user)
    page = Paginator(found, PAGE_SIZE).get_page(request.GET.get("page"))
    may_write = centres_for(request.user, Right.WRITE_REGISTRY).exists()
    context = {
        "form": form,
        "page": page,
        "may_write": may_write,
        "may_oversee": centres_for(request.user, Right.OVERSEE_IDENTITY).exists(),
        "several_centres": len(centres) > 1,
    }
    return render(request, "registry/patient_list.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def new_patient(request: MemberRequest) -> HttpResponse:
    """Register a patient."""
    centres = require_somewhere(request.user, Right.WRITE_REGISTRY)
    form = PatientForm(request.POST or None, centres=centres)
    if request.method == "POST" and form.is_valid():
        try:
            patient = register_patient(by=request.user, key=form.identity()[0], others=form.others(), **form.values())
        except PerhapsKnown as error:
            form.ask(error.alike)
        except (RuleBroken, Conflict) as error:
            apply_rule(form, error)
        else:
            messages.success(request, f"Registered as {patient.code}.")
            return redirect("registry:patient", patient.pk)
    context = {"form": form, "title": "Register a patient", "verb": "Register"}
    return render(request, "registry/patient_form.html", context, status=422 if form.errors else 200)


@require_GET
def patient(request: MemberRequest, key: UUID) -> HttpResponse:
    """Show one patient: indication, course, response, devices, checks, what went wrong, consents and sessions."""
    person = find_patient(request.user, key, Right.SEE_SESSIONS)
    assessments, events = list(person.assessments.all()), list(person.adverse_events.all())
    knows_identity = allowed(request.user, person.centre_id, Right.SEE_IDENTITY)
    today = timezone.localdate()
    implants = course.implants(person, assessments, events, today)
    lines = course.lines(person, assessments)
    context = {
        "patient": person,
        "identity": person.identity if knows_identity else None,
        "age": age_on(person.identity.birth_date, person.died_on or today),
        "assessments": assessments,
        "lines": [line for line in lines if not line.empty],
        "never": [line.label for line in lines if line.empty],
        "implants": implants,
        "indications": indications(person, assessments, implants[0].implanted_on if implants else None),
        "visit": standing_of(person, today),
        "checks": checks(person),
        "events": events,
        "devices": person.devices.all(),
        "consents": consents_of(person),
        "sessions": person.sessions.all(),
        "may_write": not person.merged_into_id and allowed(request.user, person.centre_id, Right.WRITE_REGISTRY),
        "may_oversee": allowed(request.user, person.centre_id, Right.OVERSEE_IDENTITY),
        "may_erase": allowed(request.user, person.centre_id, Right.ERASE_PATIENTS),
        "merged_codes": merged_codes(person),
        "left_behind": left_behind(person),
        "may_open": allowed(request.user, person.centre_id, Right.WRITE_SESSIONS),
    }
    return render(request, "registry/patient.html", context)


@require_GET
def patient_figure(request: MemberRequest, key: UUID) -> JsonResponse:
    """Return the figure of a patient's course."""
    person = find_patient(request.user, key, Right.SEE_SESSIONS)
    assessments, events = list(person.assessments.all()), list(person.adverse_events.all())
    implants = course.implants(person, assessments, events, timezone.localdate())
    return JsonResponse(course_figure(assessments, implants))
