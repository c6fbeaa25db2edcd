"""The comparison of a session's sites: what the whole product is for."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from procedures.figures.captions import captions
from procedures.figures.responder import RESPONDER_LIMITS
from procedures.figures.style import site_styles
from procedures.limits import ACCEPTANCE, OTHER_WIDTHS
from procedures.models import Session, Status
from procedures.polar import polar_diagram
from procedures.selectors import comparison_words as words
from procedures.selectors.comparison import OPENING_METRICS, SessionComparison, compare_session
from procedures.selectors.comparison_state import comparing, comparison_state
from procedures.selectors.epochs_used import epochs_used, rhythm_remarks
from procedures.selectors.finding import find_session
from procedures.selectors.loops import has_loops
from procedures.selectors.return_visit import return_visit
from procedures.selectors.signal_remarks import signal_remarks
from procedures.selectors.weighing import APICAL_NOTE, metrics_agree, weigh_sites
from registry.access import Right, allowed
from registry.views.request import MemberRequest


@require_safe
def comparison(request: MemberRequest, session: UUID) -> HttpResponse:
    """Show the sites against baseline in one metric; a partial request gets the part that changes."""
    record = find_session(request.user, session)
    # Before reading: what is saved meanwhile then makes the page look again, rather than be missed.
    known = comparison_state(record.pk)
    compared = compare_session(record, request.GET.get("metric"))
    template = "comparison_body" if request.htmx else "comparison"
    return render(
        request,
        f"procedures/{template}.html",
        {"state": known, "comparing": comparing(record)} | _context(request, record, compared),
    )


@require_safe
def state(request: MemberRequest, session: UUID) -> JsonResponse:
    """Say when the comparison last changed, for pages that stand open."""
    record = find_session(request.user, session)
    return JsonResponse({"state": comparison_state(record.pk)})


def shown_segment_site(compared: SessionComparison) -> str | None:
    """Return the label of the site decided for, else of the leading one."""
    if compared.decision and compared.decision.site:
        return compared.decision.site.label
    return compared.leader.site.label if compared.leader else None


def _context(request: MemberRequest, session: Session, compared: SessionComparison) -> dict[str, object]:
    styles = site_styles([site.label for site in compared.sites])
    decided = compared.decision.site.label if compared.decision and compared.decision.site else None
    leading = compared.leader.site.label if compared.leader else None
    key = compared.metric.key if compared.metric else ""
    return {
        "session": session,
        "compared": compared,
        "open": session.status == Status.OPEN,
        "headline": words.headline(compared),
        "advice": words.advice(compared),
        "drift": words.drift(compared),
        "baseline": words.baseline_words(compared),
        "baselines": words.baselines_used(compared),
        "direction": words.direction_words(compared),
        "stability": words.order_stability(compared),
        "decision_words": words.decision_words(compared),
        "may_decide": allowed(request.user, session.centre_id, Right.DECIDE),
        "rows": [(row, styles[row.site.label], words.site_notes(row)) for row in compared.rows],
        "concerns": [row for row in compared.rows if row.concerns],
        "quick_metrics": [metric for metric in compared.metrics if metric.key in OPENING_METRICS],
        "metric_table": [(m, [row.by_metric.get(m.key) for row in compared.rows]) for m in compared.metrics],
        "acceptance": ACCEPTANCE,
        "other_widths": OTHER_WIDTHS,
        "limit": RESPONDER_LIMITS.get(key),
        "captions": captions(compared, shown_segment_site(compared)),
        "has_loops": has_loops(session),
        "epochs": epochs_used(session, key) if key else [],
        "rhythm_remarks": rhythm_remarks(session),
        "weighed": weigh_sites(compared),
        "agreement": metrics_agree(compared),
        "apical_note": APICAL_NOTE,
        "returned": return_visit(compared),
        "signals": signal_remarks(session, compared.metric),
        "polar": polar_diagram(compared.sites, styles, chosen=decided, leading=leading),
    }
