"""Keeping the acute responses of a session in step with its epochs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import asdict, dataclass
from typing import Any
from uuid import UUID

from django.db import connection, transaction
from django.utils import timezone

from procedures.acute_response import Comparison, Epoch, ResponseError, compare
from procedures.metrics import METRICS, Direction, Metric
from procedures.models import AcuteResponse, ComparisonRun, EpochBeats, EpochMetric, ResponseSummary, Session
from procedures.selectors.observations import BASELINE, observed_epochs
from registry.errors import RuleBroken
from registry.jobs import Claim, NotYet, send_later
from registry.models import RunState, new_key

ALGORITHM_VERSION = "acute-response 2"
# How often a comparison is worked out again because somebody wrote meanwhile, before it waits for a quieter moment.
ATTEMPTS = 3
_STORED = {field.name for field in AcuteResponse._meta.concrete_fields}


@dataclass(frozen=True)
class _Refresh:
    """Equal for equal sessions, so that one transaction refreshes a session once however often it was asked."""

    session_id: UUID

    def __call__(self) -> None:
        send_later(ComparisonRun.objects.get(session_id=self.session_id))


def refresh_later(session: Session) -> None:
    """Within an act of writing on the locked session: have its responses recomputed by a job.

    A run that works already need not be told: it looks at the epochs again under the session's lock before it ends.
    """
    refresh = _Refresh(session.pk)
    if any(queued[1] == refresh for queued in connection.run_on_commit):
        return
    if not ComparisonRun.objects.filter(session=session, state__in=ComparisonRun.BUSY).exists():
        again = {"state": RunState.QUEUED, "attempts": 0, "failure": "", "sent_at": None, "next_try_at": None}
        ComparisonRun.objects.update_or_create(session=session, defaults=again)
    transaction.on_commit(refresh, robust=True)


def carry_out(claim: Claim) -> None:
    """Bring the responses of a session into step with its epochs."""
    refresh_responses(ComparisonRun.objects.get(pk=claim.key).session_id, claim)


def settle_responses(session: Session) -> None:
    """Recompute the session's responses at once where that is still to be done: for a signature, which covers them."""
    if ComparisonRun.objects.filter(session=session, state__in=ComparisonRun.BUSY).exists():
        refresh_responses(session.pk)


def refresh_responses(session_id: UUID, claim: Claim | None = None) -> None:
    """Recompute every ranked metric of a session from its epochs and replace what is stored.

    The comparison is worked out before the session is locked, so that nobody at the bedside waits for it. When its
    epochs changed meanwhile it is worked out again. Derived numbers leave no line in the change trail: they follow from
    records that do.

    Raises
    ------
    NotYet
        In a job, when epochs were written during every attempt; the job tries again.
    RuleBroken
        Outside a job, in the same case.
    """
    for _ in range(ATTEMPTS):
        session = Session.objects.get(pk=session_id)
        basis, found = _basis(session), _compared(session)
        with transaction.atomic():
            locked = Session.objects.select_for_update(no_key=True).get(pk=session_id)
            if _basis(locked) == basis:
                return _replace(locked, *found, claim)
    if claim:
        raise NotYet("Waiting for a pause between entries")
    raise RuleBroken("Epochs are still being entered in this session. Try again when they are in.")


def _basis(session: Session) -> list[Any]:
    """Return what tells one state of the epochs that are compared from another."""
    metrics = EpochMetric.objects.filter(epoch__session=session)
    beats = EpochBeats.objects.filter(epoch__session=session)
    return [
        *session.sites.order_by("pk").values_list("pk", "updated_at"),
        *session.epochs.order_by("pk").values_list("pk", "updated_at"),
        *metrics.order_by("pk").values_list("pk", "updated_at"),
        *beats.order_by("pk").values_list("pk", "run"),
    ]


def _compared(session: Session) -> tuple[list[AcuteResponse], list[ResponseSummary]]:
    sites = {site.label: site for site in session.sites.all()}
    observed = observed_epochs(session)
    now = timezone.now()
    responses: list[AcuteResponse] = []
    summaries: list[ResponseSummary] = []
    for metric in METRICS:
        epochs = observed.get(metric.key, [])
        if metric.direction is Direction.NEITHER or not epochs:
            continue
        summary, comparison = _summarise(session, metric, epochs, now)
        summaries.append(summary)
        if comparison is None:
            continue
        for rank, estimate in enumerate(comparison.sites, start=1):
            values = {name: value for name, value in asdict(estimate).items() if name in _STORED}
            values["flags"] = list(estimate.flags)
            responses.append(
                AcuteResponse(
                    id=new_key(),
                    session=session,
                    site=sites[estimate.state],
                    metric=metric.key,
                    rank=rank,
                    **values,
                )
            )
    return responses, summaries


def _replace(
    session: Session, responses: list[AcuteResponse], summaries: list[ResponseSummary], claim: Claim | None
) -> None:
    with claim.writing() if claim else nullcontext():
        session.responses.all().delete()
        session.response_summaries.all().delete()
        AcuteResponse.objects.bulk_create(responses)
        ResponseSummary.objects.bulk_create(summaries)


def _summarise(
    session: Session, metric: Metric, epochs: Sequence[Epoch], now: dt.datetime
) -> tuple[ResponseSummary, Comparison | None]:
    summary = ResponseSummary(session=session, metric=metric.key, computed_at=now, algorithm_version=ALGORITHM_VERSION)
    try:
        comparison = compare(epochs, baseline=BASELINE, metric=metric.key, direction=int(metric.direction))
    except ResponseError as error:
        summary.refusal = str(error)
        return summary, None
    summary.decided = comparison.decided
    summary.drift_percent_per_min = comparison.drift_percent_per_min
    summary.advice = [asdict(advice) for advice in comparison.advice]
    curve = comparison.drift_curve
    summary.drawing = {
        "epochs": [asdict(epoch) for epoch in comparison.epochs],
        "drift": {name: [float(x) for x in values] for name, values in asdict(curve).items()},
        "flags": list(comparison.flags),
        "scale": comparison.scale,
    }
    return summary, comparison
