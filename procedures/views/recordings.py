"""Uploading a recording, its page, and its channels."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from procedures.forms.base import EntryForm, likely_moment
from procedures.forms.epochs import MarkedEpochForm
from procedures.forms.recordings import ChannelsForm, EpochTableForm, UploadForm, role_words
from procedures.metrics import BY_KEY
from procedures.models import Recording, RunState, Session
from procedures.recordings import RecordingError, assign_roles
from procedures.selectors.beats import LONGEST_VIEW_S
from procedures.selectors.ecgs import ecgs_in
from procedures.selectors.finding import find_recording, find_run, find_unread
from procedures.selectors.recorded import SHOWN, latest_run, marked_epochs, recorded_epochs
from procedures.selectors.sessions import rights_in
from procedures.selectors.signals import FileReading, channels_of, reading_of, span_of
from procedures.services.analysis import cancel_analysis, start_analysis
from procedures.services.calibrations import segment_numbers
from procedures.services.ecgs import has_twelve_leads
from procedures.services.intake import ChannelsUnclear
from procedures.services.recordings import map_channels, read_again, receive_recording, withdraw_recording
from procedures.services.uploads import end_upload, sent_file, upload_for
from procedures.views.entry import answer, session_to_write
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User
from registry.views.request import MemberRequest

MOST_CHANNELS = 4096


def recording_for(user: User, key: UUID, *, writing: bool = False) -> Recording:
    """Return a recording of a session the user sees; to write, refuse when the role does not allow it."""
    found = find_recording(user, key)
    if writing:
        require(user, found.session.centre_id, Right.WRITE_SESSIONS)
    return found


@require_http_methods(["GET", "HEAD", "POST"])
def new_recording(request: MemberRequest, session: UUID) -> HttpResponse:
    """Take in a file of signals. When its channels are ambiguous, the page asks which is which."""
    found = session_to_write(request.user, session)
    form = UploadForm(
        request.POST or None,
        files=request.FILES or None,
        session=found,
        initial={"started_at": None},
    )
    labels, unclear = _labels_posted(request), list[str]()
    replaces = _unread(request, found)
    if labels:
        form.offer_channels(labels)

    def write(form: UploadForm) -> Recording:
        guard, sent = form.guard, form.cleaned_data["upload"]
        parts = upload_for(request.user, sent) if sent else None
        if parts and parts.session_id != found.pk:
            raise RuleBroken("This file was sent to another session. Choose it again.")
        try:
            recording = receive_recording(
                by=request.user,
                session=found,
                upload=sent_file(parts) if parts else form.cleaned_data["file"],
                original_name=parts.original_name if parts else form.cleaned_data["file"].name,
                started_at=form.cleaned_data["started_at"],
                mapping=form.mapping,
                replaces=replaces,
                key=guard["key"],
                reason=guard["reason"],
            )
        except ChannelsUnclear as error:
            unclear.extend(error.labels)
            raise
        if parts:
            end_upload(parts)
        return recording

    response = answer(
        request,
        form,
        write=write,
        template="procedures/new_recording.html",
        done=lambda recording: reverse("procedures:recording", args=[recording.pk]),
        said="The file has arrived. Once it has been read, confirm or mark its epochs, then analyse it.",
        context={"offered": likely_moment(found), "replaces": replaces},
    )
    if unclear and not form.role_fields:
        form.offer_channels(unclear)
        response = render(
            request, "procedures/new_recording.html", {"form": form, "session": found, "replaces": replaces}, status=422
        )
    return response


def _unread(request: MemberRequest, session: Session) -> Recording | None:
    """Return the recording in whose place the page was asked to upload a file; its own could not be read."""
    try:
        key = UUID(request.GET.get("replaces", ""))
    except ValueError:
        return None
    return find_unread(session, key)


def _labels_posted(request: MemberRequest) -> list[str]:
    """Return the channels that the page asked about; none where it did not ask."""
    chosen = {value for name, value in request.POST.items() if name.startswith("role_") and value}
    return request.POST.getlist("channel")[:MOST_CHANNELS] or sorted(map(str, chosen))


@require_safe
def recording(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Show a recording: signals with the epochs over them, channels, and where its analysis stands."""
    found = recording_for(request.user, recording)
    reading = reading_of(found)
    if reading.state != "read":
        return render(request, "procedures/recording_unread.html", _unread_context(request, found, reading))
    first_s, end_s = span_of(found)
    epochs = marked_epochs(found)
    run = latest_run(found)
    rights = rights_in(request.user, found.session)
    segments, conductances = segment_numbers(found)
    context = {
        "recording": found,
        "session": found.session,
        "rights": rights,
        "channels": _with_words(found),
        "channels_unclear": _unclear(found),
        "end_s": end_s,
        "epochs": [(e, (e.recording_end_s or 0.0) - (e.recording_start_s or 0.0)) for e in epochs],
        "run": run,
        "busy": bool(run and run.busy),
        # The figure opens on the window that a judged beat was left from.
        "window": urlencode({name: request.GET[name] for name in ("start", "end") if name in request.GET}),
        "beats_until_s": min(first_s + LONGEST_VIEW_S, end_s),
        "numbers": recorded_epochs(found),
        "shown_metrics": [BY_KEY[key] for key in SHOWN],
        "ecgs": ecgs_in(found),
        "has_leads": has_twelve_leads(found),
        "calibrations": list(found.calibrations.all()),
        "conductances": conductances,
        "calibratable": bool(segments) or any(channel.get("role") == "V_LV" for channel in found.channels),
        "outdated": bool(
            run and run.state == RunState.DONE and run.started_at and any(e.updated_at > run.started_at for e in epochs)
        ),
    }
    if rights["write_sessions"]:
        context["form"] = MarkedEpochForm(session=found.session)
        context["table_form"] = EpochTableForm()
    return render(request, "procedures/recording.html", context)


def _unread_context(request: MemberRequest, recording: Recording, reading: FileReading) -> dict[str, Any]:
    rights = rights_in(request.user, recording.session)
    context = {"recording": recording, "session": recording.session, "rights": rights, "reading": reading}
    if rights["write_sessions"]:
        context["form"] = EntryForm(session=recording.session)
    return context | {"channels": _with_words(recording)}


def _with_words(recording: Recording) -> list[tuple[dict[str, Any], str | None]]:
    return [(c, role_words(c["role"]) if c.get("role") else None) for c in recording.channels]


def _unclear(recording: Recording) -> str:
    """Return why no channel could be recognised; empty where they were, or somebody has chosen."""
    try:
        assign_roles(channels_of(recording), recording.mapping)
    except RecordingError as error:
        return str(error)
    return ""


@require_safe
def reading(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Say how far the reading of the file is; once it has ended, tell the page that watches to reload."""
    found = recording_for(request.user, recording)
    now = reading_of(found)
    response = render(request, "procedures/sections/reading.html", _unread_context(request, found, now))
    if request.htmx and not now.busy:
        response["HX-Refresh"] = "true"
    return response


@require_POST
def retry_reading(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Try once more to read a file that could not be read."""
    found = recording_for(request.user, recording, writing=True)
    read_again(by=request.user, recording=found)
    return redirect("procedures:recording", found.pk)


@require_POST
def withdraw(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Remove a recording whose file could not be read."""
    found = recording_for(request.user, recording, writing=True)
    withdraw_recording(by=request.user, recording=found, reason=request.POST.get("amendment_reason", ""))
    messages.success(request, f"{found.original_name} has been withdrawn.")
    return redirect("procedures:session", found.session_id)


@require_http_methods(["GET", "HEAD", "POST"])
def recording_channels(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Correct which channel has which role."""
    found = recording_for(request.user, recording, writing=True)
    form = ChannelsForm(request.POST or None, session=found.session, record=found)

    def write(form: ChannelsForm) -> None:
        guard = form.guard
        map_channels(
            by=request.user,
            recording=found,
            mapping=form.mapping,
            version=guard["version"] or 0,
            reason=guard["reason"],
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/channels.html",
        done=reverse("procedures:recording", args=[found.pk]),
        said="Channels corrected. Analyse the recording again to use them.",
        context={"recording": found},
    )


@require_POST
def analyse(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Start an analysis of the marked epochs."""
    found = recording_for(request.user, recording, writing=True)
    start_analysis(by=request.user, recording=found, reason=request.POST.get("amendment_reason", ""))
    return redirect("procedures:recording", found.pk)


@require_POST
def cancel(request: MemberRequest, recording: UUID, run: UUID) -> HttpResponse:
    """Stop an analysis."""
    found = recording_for(request.user, recording, writing=True)
    stopped = cancel_analysis(by=request.user, run=find_run(found, run))
    if stopped.state == RunState.CANCELLED:
        messages.info(request, "The analysis has been cancelled. No results were saved.")
    else:
        messages.info(request, "The analysis had already finished.")
    return redirect("procedures:recording", found.pk)


@require_safe
def progress(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Say how far the analysis is; once it has ended, tell the page that watches to reload."""
    found = recording_for(request.user, recording)
    run = latest_run(found)
    busy = bool(run and run.busy)
    context = {"recording": found, "run": run, "busy": busy, "rights": rights_in(request.user, found.session)}
    response = render(request, "procedures/sections/progress.html", context)
    if request.htmx and request.GET.get("watching") and run and not busy:
        response["HX-Refresh"] = "true"
    return response
