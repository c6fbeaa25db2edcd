"""Pages: the recall list of one model, and how long generators and leads last."""

from __future__ import annotations

import csv
from collections.abc import Iterator
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
    answer = StreamingHttpResponse(
        _lines(recall(request.user, model).iterator()), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="recall-{timezone.localdate().isoformat()}.csv"'
    return answer


class _Echo:
    def write(self, line: str) -> str:
        return line


def _lines(devices: Iterator[Device]) -> Iterator[str]:
    writer = csv.writer(_Echo())
    yield writer.writerow(_HEADER)
    for one in devices:
        who = one.patient.identity
        cells = (
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
        yield writer.writerow(_as_text(cell) for cell in cells)


def _as_text(cell: str) -> str:
    # A spreadsheet takes a cell that begins like this for a formula and would run it.
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


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
