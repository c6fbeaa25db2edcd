"""The page of a measured electrocardiogram and its traces; the list of a session's."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from procedures.electrocardiogram import ElectrocardiogramError
from procedures.forms.ecgs import CaliperForm, SetAsideForm
from procedures.models import EcgMeasurement, Recording
from procedures.pipeline.ecg_drawing import potentials, sheet, strip
from procedures.recordings import RecordingError
from procedures.selectors.ecg_reading import read_ecg
from procedures.selectors.ecgs import (
    baseline_for,
    ecgs_of,
    find_ecg,
    qrs_by_state,
    readings_at,
    readings_of,
    state_lines,
)
from procedures.selectors.finding import find_session
from procedures.selectors.sessions import rights_in
from procedures.selectors.signals import channels_of, opened, span_of
from procedures.services.ecgs import put_reading, set_aside
from procedures.views.asked import asked_number
from procedures.views.entry import answer
from procedures.views.recordings import recording_for
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User
from registry.views.request import MemberRequest


def _found(user: User, key: UUID, *, writing: bool = False) -> EcgMeasurement:
    ecg = find_ecg(user, key)
    if writing:
        require(user, ecg.recording.session.centre_id, Right.WRITE_SESSIONS)
    return ecg


def _other(user: User, ecg: EcgMeasurement, wanted: str) -> tuple[EcgMeasurement | None, list[EcgMeasurement]]:
    """Return the electrocardiogram asked for to compare with, or the nearest baseline; and all to choose from."""
    others = [other for other in ecgs_of(ecg.recording.session) if other.pk != ecg.pk]
    if wanted == "none":
        return None, others
    chosen = next((other for other in others if str(other.pk) == wanted), None) or baseline_for(ecg, others)
    return (_found(user, chosen.pk) if chosen else None), others


def _context(request: MemberRequest, ecg: EcgMeasurement) -> dict[str, Any]:
    session = ecg.recording.session
    other, others = _other(request.user, ecg, request.GET.get("with", ""))
    site = ecg.state_site
    rights = rights_in(request.user, session)
    leads = potentials(channels_of(ecg.recording))
    context: dict[str, Any] = {
        "ecg": ecg,
        "session": session,
        "rights": rights,
        "reading": read_ecg(ecg, other),
        "other": other,
        "others": others,
        "qrs": qrs_by_state(session).get(site.pk if site else None),
        "intervals": readings_at(session, site),
        "leads": leads,
        "recording_end_s": span_of(ecg.recording)[1],
    }
    if rights["write_sessions"]:
        start = {"from_lead": _like(leads, "II"), "to_lead": _like(leads, "V6")}
        context["caliper_form"] = CaliperForm(recording=ecg.recording, leads=leads, initial=start)
        context["aside_form"] = SetAsideForm(session=session, record=ecg, initial={"because": ecg.excluded_reason})
    return context


def _like(leads: list[str], name: str) -> str:
    return next((lead for lead in leads if lead.removeprefix("ECG_") == name), leads[0] if leads else "")


@require_safe
def ecg(request: MemberRequest, ecg: UUID) -> HttpResponse:
    """Show an electrocardiogram: twelve leads, average beats, criteria, calipers."""
    return render(request, "procedures/ecg.html", _context(request, _found(request.user, ecg)))


@require_safe
def session_ecgs(request: MemberRequest, session: UUID) -> HttpResponse:
    """List a session's electrocardiograms and intervals by state."""
    found = find_session(request.user, session)
    context = {
        "session": found,
        "rights": rights_in(request.user, found),
        "ecgs": ecgs_of(found),
        "lines": state_lines(found),
        "readings": readings_of(found),
    }
    return render(request, "procedures/session_ecgs.html", context)


@require_safe
def trace(request: MemberRequest, ecg: UUID) -> JsonResponse:
    """Return the sheet of twelve leads."""
    found = _found(request.user, ecg)
    try:
        drawn = sheet(opened(found.recording), found.recording.mapping, found.start_s, found.end_s)
    except (RecordingError, ElectrocardiogramError, OSError) as error:
        return JsonResponse({"message": str(error)}, status=422)
    return JsonResponse(drawn | {"label": found.label})


@require_safe
def beats(request: MemberRequest, ecg: UUID) -> JsonResponse:
    """Return the average beat, and the one it is held against."""
    found = _found(request.user, ecg)
    other, _ = _other(request.user, found, request.GET.get("with", ""))
    return JsonResponse({"ecg": _beat(found), "other": _beat(other) if other else None})


def _beat(ecg: EcgMeasurement) -> dict[str, Any]:
    kept = ecg.result
    return {
        "label": ecg.label,
        "onset_ms": kept["qrs_onset_ms"],
        "offset_ms": kept["qrs_offset_ms"],
        "stimuli_ms": [kept["qrs_onset_ms"] + stimulus["from_onset_ms"] for stimulus in kept["stimuli"]],
        **ecg.beat.samples,
    }


@require_safe
def caliper_strip(request: MemberRequest, recording: UUID) -> JsonResponse:
    """Return every sample of one or two leads between two times."""
    found = recording_for(request.user, recording)
    first, last = span_of(found)
    start_s = asked_number(request.GET, "start", first, first, last)
    end_s = asked_number(request.GET, "end", min(first + 1.0, last), first, last)
    labels = request.GET.getlist("lead")[:2]
    if not labels:
        raise RuleBroken("Name one or two leads.")
    try:
        return JsonResponse(strip(opened(found), labels, start_s, end_s))
    except (RecordingError, OSError) as error:
        return JsonResponse({"message": str(error)}, status=422)


@require_POST
def caliper(request: MemberRequest, ecg: UUID) -> HttpResponse:
    """Keep an interval between two marks."""
    found = _found(request.user, ecg, writing=True)
    recording: Recording = found.recording
    form = CaliperForm(request.POST, recording=recording, leads=potentials(channels_of(recording)))

    def write(form: CaliperForm) -> None:
        put_reading(by=request.user, session=form.session, site=found.state_site, **form.values, **form.guard)

    return answer(
        request,
        form,
        write=write,
        template="procedures/ecg.html",
        done=reverse("procedures:ecg", args=[found.pk]) + "#intervals",
        said="The interval has been saved.",
        context=_context(request, found) | {"caliper_form": form},
    )


@require_http_methods(["POST"])
def aside(request: MemberRequest, ecg: UUID) -> HttpResponse:
    """Set a measurement aside with a reason, or take it back in."""
    found = _found(request.user, ecg, writing=True)
    form = SetAsideForm(request.POST, session=found.recording.session, record=found)

    def write(form: SetAsideForm) -> None:
        guard = form.guard
        because = form.cleaned_data["because"]
        set_aside(by=request.user, ecg=found, because=because, version=guard["version"] or 0, reason=guard["reason"])

    return answer(
        request,
        form,
        write=write,
        template="procedures/ecg.html",
        done=reverse("procedures:ecg", args=[found.pk]),
        said="Noted.",
        context=_context(request, found) | {"aside_form": form},
    )
