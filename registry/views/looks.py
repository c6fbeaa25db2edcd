"""Page: who looked at identifiers."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from registry.access import Right, require_somewhere
from registry.forms.duplicates import LooksForm
from registry.selectors.looks import looks_for, overseen_patient, rows
from registry.selectors.people import lately_let_in
from registry.views.request import MemberRequest

PAGE_SIZE = 50


@require_GET
def looks(request: MemberRequest) -> HttpResponse:
    """List the looks in the person's centres, latest first; with a code, those at one patient."""
    require_somewhere(request.user, Right.OVERSEE_IDENTITY)
    form = LooksForm(request.GET if "patient" in request.GET else None)
    sought = form.cleaned_data["patient"] if form.is_valid() else ""
    patient = overseen_patient(request.user, sought) if sought else None
    if sought and patient is None:
        form.add_error("patient", "None of your patients has this code.")
    page = Paginator(looks_for(request.user, patient), PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "page": page,
        "patient": patient,
        "rows": rows(page.object_list, patient),
        "let_in": [] if patient or page.number > 1 else lately_let_in(request.user),
    }
    return render(request, "registry/looks.html", context, status=422 if form.errors else 200)
