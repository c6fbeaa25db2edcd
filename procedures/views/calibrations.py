"""Calibrating the volumes of a recording."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from procedures.forms.calibrations import CalibrationForm
from procedures.models import Calibration
from procedures.selectors.finding import find_calibration
from procedures.selectors.recorded import latest_calibration
from procedures.services.calibrations import put_calibration, remove_calibration
from procedures.views.entry import answer
from procedures.views.recordings import recording_for
from registry.views.request import MemberRequest


@require_http_methods(["GET", "HEAD", "POST"])
def calibration(request: MemberRequest, recording: UUID, calibration: UUID | None = None) -> HttpResponse:
    """Write a calibration, or correct one; a new one begins with the constants of the session's latest."""
    found = recording_for(request.user, recording, writing=True)
    stored = find_calibration(found, calibration) if calibration else None
    like = latest_calibration(found.session) if not stored else None
    form = CalibrationForm(request.POST or None, recording=found, record=stored, like=like)

    def write(form: CalibrationForm) -> Calibration:
        return put_calibration(by=request.user, recording=found, **form.values, **form.guard)

    return answer(
        request,
        form,
        write=write,
        template="procedures/calibration.html",
        done=reverse("procedures:recording", args=[found.pk]) + "#calibration",
        said="Calibration saved." + (" The recording is being analysed again." if found.epochs.exists() else ""),
        context={"recording": found, "calibration": stored, "like": like},
    )


@require_POST
def remove(request: MemberRequest, recording: UUID, calibration: UUID) -> HttpResponse:
    """Take a calibration back."""
    found = recording_for(request.user, recording, writing=True)
    stored = find_calibration(found, calibration)
    remove_calibration(by=request.user, calibration=stored, reason=request.POST.get("amendment_reason", ""))
    messages.success(request, "Calibration removed.")
    return redirect(reverse("procedures:recording", args=[found.pk]) + "#calibration")
