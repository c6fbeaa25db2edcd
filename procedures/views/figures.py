"""Figures as data and layout; the page's script draws them."""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from procedures.figures.forest import forest
from procedures.figures.loops import pressure_volume
from procedures.figures.multiples import every_metric
from procedures.figures.segments import segment_volumes
from procedures.figures.style import site_styles
from procedures.figures.timeline import timeline
from procedures.selectors.comparison import SessionComparison, compare_session
from procedures.selectors.loops import state_loops
from procedures.selectors.observations import BASELINE
from procedures.selectors.sessions import sessions_for
from procedures.views.comparison import shown_segment_site
from registry.views.request import MemberRequest


@require_safe
def figure(request: MemberRequest, session: UUID, name: str) -> HttpResponse:
    """Return one figure of a session: sites, metrics, loops, segments or timeline."""
    record = get_object_or_404(sessions_for(request.user), pk=session)
    compared = compare_session(record, request.GET.get("metric"))
    styles = site_styles([site.label for site in compared.sites])
    if name == "sites":
        drawn = forest(compared, styles)
    elif name == "metrics":
        drawn = every_metric(compared, styles)
    elif name == "timeline":
        drawn = timeline(compared, styles)
    elif name == "loops":
        drawn = pressure_volume(state_loops(record), styles, stressed=_stressed(compared))
    elif name == "segments":
        loops = {loop.state: loop for loop in state_loops(record)}
        label = _segment_site(request, compared)
        drawn = segment_volumes(loops.get(BASELINE), loops.get(label), styles[label]) if label else None
    else:
        raise Http404("There is no figure of that name.")
    body = drawn.to_json() if drawn is not None else '{"data": [], "layout": {}}'
    return HttpResponse(body, content_type="application/json")


def _segment_site(request: MemberRequest, compared: SessionComparison) -> str | None:
    asked = request.GET.get("site")
    return asked if asked in {site.label for site in compared.sites} else shown_segment_site(compared)


def _stressed(compared: SessionComparison) -> list[str]:
    """Return the two leading sites and the one decided for."""
    labels = [row.site.label for row in compared.rows[:2] if row.response]
    if compared.decision and compared.decision.site:
        labels.append(compared.decision.site.label)
    return list(dict.fromkeys(labels))
