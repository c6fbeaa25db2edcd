"""Typing an epoch with its metrics."""

from __future__ import annotations

from uuid import UUID

from django.db import transaction
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from procedures.forms.base import likely_moment
from procedures.forms.epochs import TypedEpochForm
from procedures.metrics import BY_KEY
from procedures.models import Epoch, Origin
from procedures.selectors.finding import find_epoch
from procedures.services.epochs import enter_metrics, put_epoch, put_pacing
from procedures.views.entry import answer, session_to_write
from registry.views.request import MemberRequest


@require_http_methods(["GET", "HEAD", "POST"])
def epoch(request: MemberRequest, session: UUID, epoch: UUID | None = None) -> HttpResponse:
    """Write an epoch with what was measured during it, or correct it."""
    found = session_to_write(request.user, session)
    stored = find_epoch(found, epoch) if epoch else None
    initial = {"started_at": likely_moment(found), "state": request.GET.get("state", "")}
    form = TypedEpochForm(request.POST or None, session=found, record=stored, initial=initial)

    @transaction.atomic
    def write(form: TypedEpochForm) -> Epoch:
        by, guard = request.user, form.guard
        pacing = form.pacing and put_pacing(by=by, session=found, reason=guard["reason"], **form.pacing)
        values = form.values
        if stored and stored.recording_id:
            values |= {"started_at": stored.started_at, "ended_at": stored.ended_at}
        written = put_epoch(by=by, session=found, site=form.site, pacing=pacing, **values, **guard)
        if form.metrics:
            confirmed = form.cleaned_data["confirmed"]
            enter_metrics(by=by, epoch=written, metrics=form.metrics, confirmed=confirmed, reason=guard["reason"])
        return written

    computed = []
    if stored:
        metrics = (metric for metric in stored.metrics.all() if metric.origin == Origin.COMPUTED)
        computed = [(BY_KEY[metric.key], metric) for metric in metrics]
    return answer(
        request,
        form,
        write=write,
        template="procedures/epoch.html",
        done=reverse("procedures:session", args=[found.pk]) + "#epochs",
        said="Epoch saved.",
        context={"epoch": stored, "computed": computed},
    )
