"""Pages: queries on the data. The list, one query with what was said, and raising one from a patient's records."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from registry.access import Right, allowed, require_somewhere
from registry.described.kind import queryable
from registry.errors import RuleBroken
from registry.forms.queries import RaiseForm, SayForm
from registry.forms.rules import apply_rule
from registry.models import QueryState
from registry.selectors.patients import find_patient
from registry.selectors.queries import find_query, queries_in, record_of, records_of, turns_of, with_words
from registry.services.queries import answer_query, close_query, raise_query, reopen_query
from registry.views.request import MemberRequest

PAGE_SIZE = 50
ACTS: dict[str, tuple[Callable[..., Any], str]] = {
    "answer": (answer_query, "The answer has been recorded."),
    "close": (close_query, "The query has been closed."),
    "reopen": (reopen_query, "The query has been reopened."),
}


@require_GET
def queries(request: MemberRequest) -> HttpResponse:
    """List the queries of the person's centres: those that wait, unless another state is asked for."""
    centres = require_somewhere(request.user, Right.SEE_QUALITY)
    state = request.GET.get("state", QueryState.OPEN)
    found = queries_in(request.user, state)
    page = Paginator(found, PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "shown": with_words(page),
        "states": [*QueryState.choices, ("all", "All")],
        "state": state,
        "several_centres": len(centres) > 1,
    }
    return render(request, "registry/queries/list.html", context)


@require_http_methods(["GET", "POST"])
def show(request: MemberRequest, key: UUID) -> HttpResponse:
    """Show a query, and take an answer, its closing or its reopening."""
    query = find_query(request.user, key)
    form = SayForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        act = form.cleaned_data["act"]
        service, done = ACTS[act]
        try:
            service(by=request.user, query=query, text=form.cleaned_data["text"])
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            messages.success(request, done)
            return redirect("queries:show", query.pk)
    subject, record = record_of(query)
    may_judge = allowed(request.user, query.centre_id, Right.RAISE_QUERIES)
    value = getattr(record, query.field, None) if record is not None and query.field else None
    display = getattr(record, f"get_{query.field}_display", None) if query.field else None
    context = {
        "query": query,
        "shown": with_words([query])[0],
        "turns": turns_of(query),
        "record": record,
        "address": subject.seen_at(record) if subject and record is not None else "",
        "value": display() if display and value is not None else value,
        "may_answer": query.state == QueryState.OPEN and allowed(request.user, query.centre_id, Right.ANSWER_QUERIES),
        "may_close": may_judge and query.state != QueryState.CLOSED,
        "may_reopen": may_judge and query.state != QueryState.OPEN,
        "form": form,
    }
    return render(request, "registry/queries/show.html", context, status=422 if form.errors else 200)


@require_GET
def choose_record(request: MemberRequest, patient_key: UUID) -> HttpResponse:
    """Choose which of a patient's records a query is about."""
    patient = find_patient(request.user, patient_key, Right.RAISE_QUERIES)
    return render(request, "registry/queries/choose.html", {"patient": patient, "records": records_of(patient)})


@require_http_methods(["GET", "POST"])
def raise_one(request: MemberRequest, patient_key: UUID, record_type: str, record_key: UUID) -> HttpResponse:
    """Raise a query on a record."""
    patient = find_patient(request.user, patient_key, Right.RAISE_QUERIES)
    subject = queryable().get(record_type)
    if subject is None:
        raise Http404("There is no such kind of record.")
    record = subject.of_patient(patient).get(pk=record_key)
    initial = {"field": request.GET.get("field", "")}
    form = RaiseForm(request.POST or None, subject=subject, initial=initial)
    if request.method == "POST" and form.is_valid():
        asked = form.cleaned_data
        try:
            query = raise_query(
                by=request.user,
                record_type=record_type,
                record=record,
                field=asked["field"],
                text=asked["text"],
                key=asked["key"],
            )
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            messages.success(request, "The query has been raised.")
            return redirect("queries:show", query.pk)
    context = {"patient": patient, "subject": subject, "record": record, "form": form}
    return render(request, "registry/queries/raise.html", context, status=422 if form.errors else 200)
