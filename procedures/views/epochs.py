"""Typing an epoch with its metrics."""

from __future__ import annotations

from uuid import UUID

from django.db import transaction
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from procedures.forms.base import likely_moment
from procedures.forms.epochs import TypedEpochForm
from procedures.kinds.epochs import EPOCH
from procedures.metrics import BY_KEY
from procedures.models import Epoch, Origin
from procedures.selectors.finding import find_epoch
from procedures.views.entry import answer, form_for, session_to_write, write_record
from registry.views.request import MemberRequest


@require_http_methods(["GET", "HEAD", "POST"])
def epoch(request: MemberRequest, session: UUID, epoch: UUID | None = None) -> HttpResponse:
    """Write an epoch with what was measured during it, or correct it."""
    found = session_to_write(request.user, session)
    stored = find_epoch(found, epoch) if epoch else None
    initial = {"started_at": likely_moment(found), "state": request.GET.get("state", "")}
    form = form_for(EPOCH, request, session=found, record=stored, initial=initial)

    @transaction.atomic
    def write(form: TypedEpochForm) -> Epoch:
        by, values = request.user, form.values
        if stored and stored.recording_id:
            values |= {"started_at": stored.started_at, "ended_at": stored.ended_at}
        values |= {"session": found, "site": form.site, "pacing": form.pacing or None}
        # With its metrics, so that they are one act.
        values |= {"metrics": form.metrics, "confirmed": form.cleaned_data["confirmed"]}
        written: Epoch = write_record(EPOCH, form, by=by, values=values)
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
