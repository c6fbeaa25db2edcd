"""Pages: patients who may be one person, judging a pair, and undoing a merge."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from registry.access import Right, chosen_centre, require_somewhere
from registry.errors import Conflict, RuleBroken
from registry.forms.duplicates import APART, PairForm, UndoForm
from registry.forms.rules import apply_rule
from registry.models import Patient
from registry.selectors.duplicates import find_merge, left_behind, merges_in, pair_to_merge, suspected_pairs
from registry.services.merging import keep_apart, merge_patients, undo_merge
from registry.views.request import MemberRequest

PAGE_SIZE = 20


@require_GET
def duplicates(request: MemberRequest) -> HttpResponse:
    """List the pairs of a centre that may be one person, and the merges that were made."""
    chosen, centres = chosen_centre(request.user, Right.OVERSEE_IDENTITY, request.GET.get("centre"))
    merges = Paginator(merges_in(request.user, chosen), PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "centres": centres,
        "centre": chosen,
        "suspects": suspected_pairs(request.user, chosen),
        "page": merges,
    }
    return render(request, "registry/duplicates.html", context)


@require_http_methods(["GET", "POST"])
def pair(request: MemberRequest, first: UUID, second: UUID) -> HttpResponse:
    """Judge one pair."""
    require_somewhere(request.user, Right.OVERSEE_IDENTITY)
    both = pair_to_merge(request.user, first, second)
    form = PairForm(request.POST or None, pair=both)
    if request.method == "POST" and form.is_valid():
        answer, reason = form.cleaned_data["answer"], form.cleaned_data["reason"]
        kept, merged = both if answer != "second" else both[::-1]
        try:
            if answer == APART:
                keep_apart(by=request.user, first=kept, second=merged, reason=reason)
            else:
                merge_patients(by=request.user, kept=kept, merged=merged, reason=reason)
        except (RuleBroken, Conflict) as error:
            apply_rule(form, error)
        else:
            if answer == APART:
                messages.success(request, f"{kept.code} and {merged.code} are kept as two different people.")
                return redirect("registry:duplicates")
            messages.success(
                request, f"{merged.code} has been merged into {kept.code}. This can be undone. {_stays(merged)}"
            )
            return redirect("registry:patient", kept.pk)
    context = {"form": form, "pair": both}
    return render(request, "registry/duplicate_pair.html", context, status=422 if form.errors else 200)


def _stays(merged: Patient) -> str:
    """Say what a merged code still holds: always who it stood for, and what the other patient had already."""
    merged.refresh_from_db()
    said = f"Name, birth date and hospital number registered as {merged.code} stay with that code."
    if rest := left_behind(merged):
        said += f" So do records that the other code already had: {', '.join(rest)}."
    return said


@require_http_methods(["GET", "POST"])
def undo(request: MemberRequest, key: UUID) -> HttpResponse:
    """Undo a merge."""
    require_somewhere(request.user, Right.OVERSEE_IDENTITY)
    merge = find_merge(request.user, key)
    form = UndoForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            undo_merge(by=request.user, merge=merge, reason=form.cleaned_data["reason"])
        except (RuleBroken, Conflict) as error:
            apply_rule(form, error)
        else:
            messages.success(request, f"{merge.merged.code} has got its records back.")
            return redirect("registry:patient", merge.merged.pk)
    moved = sum(len(keys) for keys in merge.moved.values())
    context = {"form": form, "merge": merge, "moved": moved}
    return render(request, "registry/undo_merge.html", context, status=422 if form.errors else 200)
