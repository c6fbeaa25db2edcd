"""Pages: who is due for follow-up, and a centre's schedule."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from registry.access import Right, centres_for, chosen_centre, require_somewhere
from registry.clinical.schedule import DEFAULT
from registry.errors import RuleBroken
from registry.forms.follow_up import QueueFilter, ScheduleForms
from registry.selectors.follow_up import own_schedule, people_of, schedules, work_queue
from registry.services.schedule import set_schedule
from registry.views.request import MemberRequest

PAGE_SIZE = 50


@require_GET
def queue(request: MemberRequest) -> HttpResponse:
    """List who is due or overdue, longest overdue first, page by page."""
    centres = require_somewhere(request.user, Right.SEE_IDENTITY)
    labels = list(dict.fromkeys(visit.label for plan in schedules(centres).values() for visit in plan))
    form = QueueFilter(request.GET, centres=centres, visits=labels)
    wanted = form.cleaned_data if form.is_valid() else {}
    centre = next((one for one in centres if one.code == wanted.get("centre")), None)
    waiting = work_queue(request.user, centre=centre)
    counts = {
        "overdue": sum(one.visit.state.value == "overdue" for one in waiting),
        "due": sum(one.visit.state.value == "due" for one in waiting),
    }
    if state := wanted.get("state"):
        waiting = [one for one in waiting if one.visit.state.value == state]
    if label := wanted.get("visit"):
        waiting = [one for one in waiting if one.visit.label.split(", time ")[0] == label]
    page = Paginator(waiting, PAGE_SIZE).get_page(request.GET.get("page"))
    shown = list(page.object_list)
    people = people_of(shown)
    context = {
        "form": form,
        "page": page,
        "rows": [(one, people[one.patient_id]) for one in shown],
        "counts": counts,
        "filtered": any(wanted.values()),
        "several_centres": len(centres) > 1,
        "planned": centres_for(request.user, Right.PLAN_FOLLOW_UP),
        "today": timezone.localdate(),
        "may_write": centres_for(request.user, Right.WRITE_REGISTRY).exists(),
    }
    return render(request, "registry/follow_up.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def schedule(request: MemberRequest, code: str) -> HttpResponse:
    """Show a centre's schedule, and let the clinical lead change it."""
    centre, _ = chosen_centre(request.user, Right.PLAN_FOLLOW_UP, code)
    own = own_schedule(centre)
    names = ("label", "after_days", "early_days", "late_days", "repeats")
    initial = [{name: getattr(one, name) for name in names} for one in own or DEFAULT]
    forms = ScheduleForms(request.POST or None, initial=initial)
    problems: list[tuple[str, str]] = []  # each with the control it leads to
    if request.method == "POST" and forms.is_valid():
        visits = [visit for form in forms if (visit := form.visit())]
        try:
            set_schedule(by=request.user, centre=centre, visits=visits)
        except RuleBroken as error:
            told = [str(error), *(message for found in error.fields.values() for message in found)]
            problems = [(message, "") for message in told]
        else:
            messages.success(
                request, "The schedule has been saved." if visits else "The default schedule applies again."
            )
            return redirect("registry:follow_up")
    problems += [
        (f"Visit {number}: {message}", form[name].id_for_label if name in form.fields else "")
        for number, form in enumerate(forms, 1)
        for name, found in form.errors.items()
        for message in found
    ]
    context = {"centre": centre, "forms": forms, "problems": problems, "own": bool(own)}
    return render(request, "registry/schedule.html", context, status=422 if problems else 200)
