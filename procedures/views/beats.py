"""The beats in the window of a recording: seen one by one, refused or restored by tap."""

from __future__ import annotations

from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from procedures.figures.loops import pressure_volume
from procedures.figures.style import site_styles
from procedures.models import Status
from procedures.selectors.beats import LONGEST_VIEW_S, beats_between
from procedures.selectors.recorded import loops_between
from procedures.selectors.sessions import labels_of_sites, rights_in
from procedures.selectors.signals import span_of
from procedures.services.beats import judge_beat
from procedures.views.asked import asked_number
from procedures.views.recordings import recording_for
from registry.errors import RuleBroken
from registry.views.request import MemberRequest

_JUDGEMENTS = {"use": True, "refuse": False, "program": None}


@require_safe
def beats(request: MemberRequest, recording: UUID) -> HttpResponse:
    """List the beats between two times, or ask for a shorter stretch."""
    found = recording_for(request.user, recording)
    first, last = span_of(found)
    start_s = asked_number(request.GET, "start", first, first, last)
    end_s = asked_number(request.GET, "end", last, first, last)
    narrow = end_s - start_s <= LONGEST_VIEW_S
    context = {
        "recording": found,
        "beats": beats_between(found, start_s, end_s) if narrow else [],
        "narrow": narrow,
        "longest_s": LONGEST_VIEW_S,
        "start_s": start_s,
        "end_s": end_s,
        "may_write": rights_in(request.user, found.session)["write_sessions"],
        "signed": found.session.status == Status.SIGNED,
    }
    return render(request, "procedures/sections/beats.html", context)


@require_POST
def judge(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Refuse a beat, restore it, or leave it to the program again."""
    found = recording_for(request.user, recording, writing=True)
    time_text, _, judgement = request.POST.get("judge", "").partition(" ")
    if judgement not in _JUDGEMENTS:
        raise RuleBroken("Choose whether the beat is used, excluded or reset to automatic.")
    first, last = span_of(found)
    judge_beat(
        by=request.user,
        recording=found,
        time_s=asked_number({"time": time_text}, "time", first, first, last),
        counts=_JUDGEMENTS[judgement],
        note=request.POST.get("note", ""),
        reason=request.POST.get("amendment_reason", ""),
    )
    messages.success(request, "The beat has been changed. The recording is being analysed again.")
    window = {name: request.POST[name] for name in ("start", "end") if name in request.POST}
    # Where it was tapped, in the trace or in the list, is where the page comes back to.
    place = "signals" if request.POST.get("back") == "signals" else "beats"
    return redirect(f"{reverse('procedures:recording', args=[found.pk])}?{urlencode(window)}#{place}")


@require_safe
def loops(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Return the average loops of the epochs between two times as a figure."""
    found = recording_for(request.user, recording)
    first, last = span_of(found)
    start_s = asked_number(request.GET, "start", first, first, last)
    end_s = asked_number(request.GET, "end", last, first, last)
    drawable = loops_between(found, start_s, end_s)
    if not drawable:
        return JsonResponse({"data": [], "message": "There is no analysed epoch with volumes in this stretch."})
    styles = site_styles(labels_of_sites(found.session))
    drawn = pressure_volume(drawable, styles, stressed=[loop.state for loop in drawable]).update_layout(height=420)
    return HttpResponse(drawn.to_json(), content_type="application/json")
