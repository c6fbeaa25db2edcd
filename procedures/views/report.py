"""The session's report, to print: one or two sheets that stand for themselves."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from procedures.figures.style import site_styles
from procedures.polar import polar_diagram
from procedures.selectors import comparison_words as words
from procedures.selectors.epochs_used import rhythm_remarks
from procedures.selectors.finding import find_session_to_report
from procedures.selectors.report import session_report
from procedures.selectors.return_visit import return_visit
from procedures.selectors.weighing import metrics_agree, weigh_sites
from registry.access import Right, allowed
from registry.views.request import MemberRequest


@require_safe
def report(request: MemberRequest, session: UUID) -> HttpResponse:
    """Show the report; the browser prints it."""
    record = find_session_to_report(request.user, session)
    may_identify = allowed(request.user, record.centre_id, Right.SEE_IDENTITY)
    told = session_report(record, with_identity=may_identify)
    styles = site_styles([site.label for site in told.main.sites])
    decided = told.main.decision.site.label if told.main.decision and told.main.decision.site else None
    context = {
        "session": record,
        "report": told,
        "main": told.main,
        "headlines": [(c.metric, words.headline(c)) for c in told.comparisons],
        "advice": words.advice(told.main),
        "baseline": words.baseline_words(told.main),
        "baselines": words.baselines_used(told.main),
        "weighed": weigh_sites(told.main),
        "agreement": metrics_agree(told.main),
        "returned": return_visit(told.main),
        "drift": words.drift(told.main),
        "rhythm_remarks": rhythm_remarks(record),
        "decision_words": words.decision_words(told.main),
        "rows": [
            (row, styles[row.site.label], [row.by_metric.get(c.metric.key) for c in told.comparisons if c.metric])
            for row in told.main.rows
        ],
        "polar": polar_diagram(
            told.main.sites,
            styles,
            chosen=decided,
            leading=told.main.leader.site.label if told.main.leader else None,
        ),
        "printed_at": timezone.now(),
    }
    return render(request, "procedures/report.html", context)
