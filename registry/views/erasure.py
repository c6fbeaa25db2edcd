"""Page: erase a patient."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from registry.access import Right
from registry.errors import RuleBroken
from registry.forms.erasure import ErasureForm
from registry.forms.rules import apply_rule
from registry.login.reauthentication import confirm_erasure, minutes_it_counts, recently_confirmed, to_confirmation
from registry.selectors.erasing import what_would_go
from registry.selectors.patients import find_patient
from registry.services.erasure import Erased, erase_patient, refuse_erasure
from registry.views.request import MemberRequest


@require_http_methods(["GET", "POST"])
def erase(request: MemberRequest, patient_key: UUID) -> HttpResponse:
    """Show what goes and what stays, then erase: with the password, or a code or passkey given for this page."""
    patient = find_patient(request.user, patient_key, Right.ERASE_PATIENTS)
    address = reverse("registry:erase", args=[patient.pk])
    form = ErasureForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        reason, code_again = form.cleaned_data["reason"], form.cleaned_data["code_again"]
        try:
            refuse_erasure(patient, reason=reason, code_again=code_again)
            confirm_erasure(request, form.cleaned_data["password"], page=address)
            erased = erase_patient(by=request.user, patient=patient, reason=reason, code_again=code_again)
        except RuleBroken as error:
            apply_rule(form, error)
        except OSError:
            messages.error(
                request,
                "The patient is erased, but a file could not be removed. Ask the person who runs the service to finish "
                "the erasure.",
            )
            return redirect("registry:patients")
        else:
            messages.success(request, _said(erased))
            return redirect("registry:patients")
    context = {
        "form": form,
        "patient": patient,
        "going": what_would_go(patient),
        "confirmed": recently_confirmed(request, page=address),
        "confirm_url": to_confirmation(request, address).url,
        "minutes": minutes_it_counts(),
    }
    return render(request, "registry/erase.html", context, status=422 if form.errors else 200)


def _said(erased: Erased) -> str:
    """Say what went, without the code: what is said is kept until it is shown."""
    rows = sum(erased.rows.values())
    return (
        f"The patient has been erased: {rows} record{'' if rows == 1 else 's'} and "
        f"{erased.files} file{'' if erased.files == 1 else 's'}."
    )
