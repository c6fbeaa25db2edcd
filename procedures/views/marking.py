"""Marking the epochs of a recording: by hand, or confirming those found in the file or in a table."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from procedures.forms.base import EntryForm
from procedures.forms.epochs import MarkedEpochForm
from procedures.forms.recordings import EpochTableForm, FoundEpochForm
from procedures.models import Epoch, Recording
from procedures.selectors.finding import find_marked_epoch
from procedures.selectors.signals import span_of
from procedures.services.epochs import put_pacing
from procedures.services.recordings import mark_epoch, propose_epochs
from procedures.views.asked import asked_number
from procedures.views.entry import answer
from procedures.views.recordings import recording_for
from registry.errors import Conflict, RuleBroken
from registry.views.request import MemberRequest

MOST_FOUND = 200


@require_http_methods(["GET", "HEAD", "POST"])
def recorded_epoch(request: MemberRequest, recording: UUID, epoch: UUID | None = None) -> HttpResponse:
    """Mark a stretch of the recording, or move one."""
    found = recording_for(request.user, recording, writing=True)
    stored = find_marked_epoch(found, epoch) if epoch else None
    form = MarkedEpochForm(request.POST or None, session=found.session, record=stored)

    @transaction.atomic
    def write(form: MarkedEpochForm) -> Epoch:
        guard = form.guard
        pacing = None
        if form.pacing:
            pacing = put_pacing(by=request.user, session=found.session, reason=guard["reason"], **form.pacing)
        return mark_epoch(
            by=request.user,
            recording=found,
            site=form.site,
            start_s=form.cleaned_data["start_s"],
            end_s=form.cleaned_data["end_s"],
            pacing=pacing,
            **guard,
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/recorded_epoch.html",
        done=reverse("procedures:recording", args=[found.pk]) + "#epochs",
        said="Epoch marked.",
        context={"recording": found, "epoch": stored, "end_s": span_of(found)[1]},
    )


@require_http_methods(["GET", "HEAD"])
def found_in_file(request: MemberRequest, recording: UUID) -> HttpResponse:
    """List the epochs annotated in the file, to be confirmed."""
    found = recording_for(request.user, recording, writing=True)
    return _offer(request, found, table=None)


@require_POST
def found_in_table(request: MemberRequest, recording: UUID) -> HttpResponse:
    """List the epochs of an uploaded table, to be confirmed. Nothing is written yet."""
    found = recording_for(request.user, recording, writing=True)
    form = EpochTableForm(request.POST, request.FILES)
    if not form.is_valid():
        return _say(request, found, str(form.errors["table"][0]))
    return _offer(request, found, table=form.cleaned_data["table"])


def _offer(request: MemberRequest, recording: Recording, table: str | None) -> HttpResponse:
    try:
        proposed = propose_epochs(recording, table)
    except RuleBroken as error:
        return _say(request, recording, str(error))
    if not proposed:
        return _say(request, recording, "No epochs are annotated in this file. Mark them by hand, or upload a table.")
    if len(proposed) > MOST_FOUND:
        return _say(request, recording, f"{len(proposed)} epochs are more than can be confirmed at once.")
    marked = {(e.recording_start_s, e.recording_end_s) for e in recording.epochs.all()}
    forms = [
        FoundEpochForm(session=recording.session, proposed=one, prefix=f"found-{number}")
        for number, one in enumerate(p for p in proposed if (p.start_s, p.end_s) not in marked)
    ]
    if not forms:
        return _say(request, recording, "All epochs found are already marked.", problem=False)
    return _page(request, recording, forms)


@require_POST
def confirm_found(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Mark the epochs that were confirmed, all or none."""
    found = recording_for(request.user, recording, writing=True)
    count = int(asked_number(request.POST, "count", 0, 0, MOST_FOUND))
    forms = [FoundEpochForm(request.POST, session=found.session, prefix=f"found-{n}") for n in range(count)]
    reason = request.POST.get("amendment_reason", "")
    problem = ""
    # Every form is judged, so that every message is shown at once.
    judged = [form.is_valid() for form in forms]
    if judged and all(judged):
        wanted = [form for form in forms if form.cleaned_data["state"] != FoundEpochForm.LEAVE_OUT]
        try:
            with transaction.atomic():
                for form in wanted:
                    _mark(request, found, form, reason)
        except (RuleBroken, Conflict) as error:
            problem = str(error)
        else:
            messages.success(request, f"Epochs marked: {len(wanted)}. Not marked: {len(forms) - len(wanted)}.")
            return redirect("procedures:recording", found.pk)
    return _page(request, found, forms, problem=problem, status=422)


def _mark(request: MemberRequest, recording: Recording, form: FoundEpochForm, reason: str) -> None:
    data = form.cleaned_data
    mark_epoch(
        by=request.user,
        recording=recording,
        site=form.sites.get(data["state"]),
        start_s=data["start_s"],
        end_s=data["end_s"],
        key=data["key"],
        reason=reason,
    )


def _page(
    request: MemberRequest, recording: Recording, forms: list[FoundEpochForm], *, problem: str = "", status: int = 200
) -> HttpResponse:
    context = {
        "recording": recording,
        "session": recording.session,
        "forms": forms,
        "problem": problem,
        "wrong": any(form.is_bound and form.errors for form in forms),
        # Only for the reason that a signed session asks for.
        "reason_form": EntryForm(
            session=recording.session, initial={"amendment_reason": request.POST.get("amendment_reason", "")}
        ),
    }
    return render(request, "procedures/found_epochs.html", context, status=status)


def _say(request: MemberRequest, recording: Recording, message: str, *, problem: bool = True) -> HttpResponse:
    context = {"recording": recording, "session": recording.session, "problem" if problem else "said": message}
    return render(request, "procedures/found_epochs.html", context, status=422 if problem else 200)
