"""Opening a session, describing it, and the entries of its log."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from procedures.forms.base import likely_moment
from procedures.forms.sessions import SUGGESTIONS, LogEntryForm, NewSessionForm, SessionDetailsForm, find_patients
from procedures.kinds.sessions import LOG_ENTRY, SESSION
from procedures.selectors.finding import find_log_entry
from procedures.services.sessions import open_session
from procedures.views.entry import answer, form_for, session_to_write, write_record
from registry.access import Right, rights_anywhere
from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.forms.rules import apply_rule
from registry.models import User
from registry.selectors.patients import identities_seen, newest_patients
from registry.views.request import MemberRequest


def _require_somewhere(user: User) -> None:
    if Right.WRITE_SESSIONS not in rights_anywhere(user):
        raise AccessDenied("Your role cannot change sessions.")


@require_http_methods(["GET", "HEAD", "POST"])
def new_session(request: MemberRequest) -> HttpResponse:
    """Open a session for a patient."""
    _require_somewhere(request.user)
    form = NewSessionForm(request.POST or None, user=request.user, patient=request.GET.get("patient", "")[:60])
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                opened = open_session(by=request.user, **form.cleaned_data)
            except (RuleBroken, Conflict) as error:
                apply_rule(form, error)
            else:
                messages.success(request, f"Session {opened.code} is open.")
                return redirect("procedures:session", opened.pk)
    patients = newest_patients(request.user, Right.WRITE_SESSIONS, SUGGESTIONS)
    return render(request, "procedures/new_session.html", {"form": form, "patients": patients}, status=status)


@require_safe
def patient_meant(request: MemberRequest) -> HttpResponse:
    """Say who is meant by a code while it is typed."""
    _require_somewhere(request.user)
    wanted = request.GET.get("patient", "")[:60]
    found = find_patients(request.user, wanted)
    seen = identities_seen(request.user, found)
    context = {"found": [(p, p.identity if p.pk in seen else None) for p in found], "wanted": wanted.strip()}
    return render(request, "procedures/sections/patient_meant.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def session_details(request: MemberRequest, session: UUID) -> HttpResponse:
    """Describe the session as a whole: outcome, contrast, dose, end, notes."""
    found = session_to_write(request.user, session)
    form = form_for(SESSION, request, session=found)

    def write(form: SessionDetailsForm) -> None:
        guard = form.guard
        values = form.values | {"patient": found.patient, "amendment_reason": guard["reason"]}
        # Always of this session; a posted key is not believed.
        SESSION.write(by=request.user, key=found.pk, version=guard["version"], values=values)

    return answer(
        request,
        form,
        write=write,
        template="procedures/session_details.html",
        done=reverse("procedures:session", args=[found.pk]),
        said="Session details saved.",
    )


@require_http_methods(["GET", "HEAD", "POST"])
def log_entry(request: MemberRequest, session: UUID, entry: UUID | None = None) -> HttpResponse:
    """Write a timed entry, or correct one."""
    found = session_to_write(request.user, session)
    stored = find_log_entry(found, entry) if entry else None
    initial: dict[str, Any] = {"occurred_at": likely_moment(found)}
    if stored:
        initial = {"kind": stored.kind, "occurred_at": stored.occurred_at, "text": stored.text}
    form = form_for(LOG_ENTRY, request, session=found, record=stored, initial=initial)

    def write(form: LogEntryForm) -> None:
        values = {name: form.cleaned_data[name] for name in ("kind", "occurred_at", "text")}
        write_record(LOG_ENTRY, form, by=request.user, values=values | {"session": found})

    return answer(
        request,
        form,
        write=write,
        template="procedures/log_entry.html",
        done=reverse("procedures:session", args=[found.pk]) + "#timeline",
        said="Entry logged." if stored is None else "Entry corrected.",
    )
