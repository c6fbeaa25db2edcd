"""Pages: a centre's year, and the sessions behind each of its numbers."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_GET

from analytics.figures.proportions import proportions_figure
from analytics.indicators import BY_KEY
from analytics.selectors.audit import audit_years, overview, sessions_behind
from procedures.models import ProcedureKind
from registry.access import Right, chosen_centre, require
from registry.errors import RuleBroken
from registry.models import Centre
from registry.views.request import MemberRequest

PAGE_SIZE = 50
GROUPS = {"counted": "Counted", "total": "Counted and not counted", "left-out": "Excluded"}


def _asked(request: MemberRequest) -> tuple[Centre, list[Centre], int, list[int]]:
    """Return the centre and year asked for, or the latest year with sessions, and what else may be chosen."""
    centre, centres = chosen_centre(request.user, Right.SEE_AUDIT, request.GET.get("centre"))
    years = audit_years(centre) or [timezone.localdate().year]
    asked = request.GET.get("year") or str(years[0])
    if asked not in {str(year) for year in years}:
        known = ", ".join(str(year) for year in years)
        raise RuleBroken(f"There is no audit for the year '{asked}'. Years with sessions: {known}.")
    return centre, centres, int(asked), years


@require_GET
def audit(request: MemberRequest) -> HttpResponse:
    """Show a centre's year."""
    centre, centres, year, years = _asked(request)
    context = {
        "overview": overview(centre, year),
        "centres": centres,
        "years": years,
        "kinds": ProcedureKind.labels,
        "query": urlencode({"centre": centre.code, "year": str(year)}),
        "today": timezone.localdate(),
    }
    return render(request, "analytics/audit.html", context)


@require_GET
def audit_figure(request: MemberRequest) -> JsonResponse:
    """Return the figure of the year's proportions."""
    centre, _, year, _ = _asked(request)
    return JsonResponse(proportions_figure(overview(centre, year)))


@require_GET
def audit_sessions(request: MemberRequest, indicator: str) -> HttpResponse:
    """List the sessions behind one number. Single sessions are for those who may see sessions."""
    centre, _, year, _ = _asked(request)
    require(request.user, centre.pk, Right.SEE_SESSIONS)
    group = request.GET.get("group", "total")
    if indicator not in BY_KEY or group not in GROUPS:
        raise Http404("There is no such list.")
    found = sessions_behind(BY_KEY[indicator], centre, year, group)
    context = {
        "indicator": BY_KEY[indicator],
        "centre": centre,
        "year": year,
        "groups": [(key, name, key == group) for key, name in GROUPS.items()],
        "page": Paginator(found, PAGE_SIZE).get_page(request.GET.get("page")),
        "query": urlencode({"centre": centre.code, "year": str(year)}),
    }
    return render(request, "analytics/audit_sessions.html", context)
