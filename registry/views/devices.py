"""Pages: the recall list of one model, and how long generators and leads last."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse, JsonResponse, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from registry.access import Right, require_somewhere
from registry.figures.survival import survival_figure
from registry.forms.recall import RecallForm
from registry.models import Device
from registry.selectors.devices import YEARS, models_in_use, recall, survival_curves, survival_groups
from registry.views.request import MemberRequest
from registry.views.tables import csv_answer

PAGE_SIZE = 100
_HEADER = (
    "centre",
    "patient",
    "family_name",
    "given_name",
    "birth_date",
    "hospital_number",
    "part",
    "chamber",
    "manufacturer",
    "model",
    "serial_number",
    "implanted_on",
    "capped_on",
)


@require_GET
def recalled(request: MemberRequest) -> HttpResponse:
    """Show which living patients carry a model, or which models there are."""
    centres = require_somewhere(request.user, Right.RECALL)
    form = RecallForm(request.GET)
    model = form.cleaned_data["model"] if form.is_valid() else ""
    context: dict[str, Any] = {"form": form, "model": model, "several_centres": len(centres) > 1}
    if model:
        context["page"] = Paginator(recall(request.user, model), PAGE_SIZE).get_page(request.GET.get("page"))
    else:
        context["models"] = Paginator(models_in_use(request.user), PAGE_SIZE).get_page(request.GET.get("page"))
    return render(request, "registry/recall.html", context)


@require_GET
def recalled_csv(request: MemberRequest) -> StreamingHttpResponse:
    """Return the recall list of one model as a table."""
    require_somewhere(request.user, Right.RECALL)
    model = request.GET.get("model", "").strip()
    rows = (_cells(one) for one in recall(request.user, model).iterator())
    return csv_answer(f"recall-{timezone.localdate().isoformat()}.csv", _HEADER, rows)


def _cells(one: Device) -> tuple[str, ...]:
    who = one.patient.identity
    return (
        one.patient.centre.name,
        one.patient.code,
        who.family_name,
        who.given_name,
        who.birth_date,
        who.local_identifier,
        one.get_kind_display(),
        one.get_chamber_display() if one.chamber else "",
        one.manufacturer,
        one.model_name,
        one.serial_number or "",
        one.implanted_on.isoformat(),
        one.explanted_on.isoformat() if one.explanted_on else "",
    )


@require_GET
def lasting(request: MemberRequest) -> HttpResponse:
    """Show the survival of generators and leads, by kind and by model."""
    require_somewhere(request.user, Right.SEE_AUDIT)
    groups = survival_groups(request.user, timezone.localdate())
    return render(request, "registry/survival.html", {"groups": groups, "years": YEARS})


@require_GET
def lasting_figure(request: MemberRequest) -> JsonResponse:
    """Return the survival of each kind of part as a figure."""
    require_somewhere(request.user, Right.SEE_AUDIT)
    return JsonResponse(survival_figure(survival_curves(request.user, timezone.localdate())))
