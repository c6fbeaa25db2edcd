"""Pages: how complete and plausible a centre's records are, and what is to be done about it."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils.http import urlencode
from django.views.decorators.http import require_GET

from analytics.figures.completeness import completeness_figure
from analytics.selectors import todo
from analytics.selectors.quality import field_quality
from registry.access import Right, allowed, chosen_centre
from registry.described.kind import queryable
from registry.views.request import MemberRequest

PAGE_SIZE = 50


@require_GET
def quality(request: MemberRequest) -> HttpResponse:
    """Show what is to be done, and each field's completeness and unusual values."""
    centre, centres = chosen_centre(request.user, Right.SEE_QUALITY, request.GET.get("centre"))
    counted = todo.counts(centre)
    context = {
        "centre": centre,
        "centres": centres,
        "todo": [(item, count) for item, count in counted if count],
        "done": [item for item, count in counted if not count],
        "waiting": todo.waiting_queries(centre),
        "fields": field_quality(centre),
        "query": urlencode({"centre": centre.code}),
    }
    return render(request, "analytics/quality.html", context)


@require_GET
def quality_figure(request: MemberRequest) -> JsonResponse:
    """Return the figure of completeness."""
    centre, _ = chosen_centre(request.user, Right.SEE_QUALITY, request.GET.get("centre"))
    return JsonResponse(completeness_figure(field_quality(centre)))


@require_GET
def quality_list(request: MemberRequest, item: str) -> HttpResponse:
    """List the records behind one line of what is to be done."""
    centre, _ = chosen_centre(request.user, Right.SEE_QUALITY, request.GET.get("centre"))
    found = next((one for one in todo.items() if one.key == item), None)
    if found is None:
        raise Http404("There is no such list.")
    subject = queryable()[found.subject]
    records = todo.listed(found, centre, subject)
    page = Paginator(records, PAGE_SIZE).get_page(request.GET.get("page"))
    rows = [(subject.patient_of(one), one, subject.seen_at(one), todo.unusual_values(subject, one)) for one in page]
    context = {
        "item": found,
        "subject": subject,
        "centre": centre,
        "page": page,
        "rows": rows,
        "may_raise": allowed(request.user, centre.pk, Right.RAISE_QUERIES),
    }
    return render(request, "analytics/quality_list.html", context)
