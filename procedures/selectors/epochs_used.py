"""The epochs behind one metric's comparison: what was used, what was refused and why."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.db.models import F

from procedures.models import Epoch, EpochBeats, EpochMetric, Origin, Session
from procedures.selectors.observations import metric_in_force

# Reasons of the pressure-volume engine whose name is no plain English.
_REASONS = {
    "post_ectopic": "after an ectopic",
    "partial_breath": "of a partial breath",
    "by_hand": "excluded by hand",
}


@dataclass(frozen=True)
class UsedEpoch:
    """One epoch with the number that counted; ``refused`` are beats by reason, empty for typed epochs."""

    epoch: Epoch
    metric: EpochMetric | None
    refused: dict[str, int]

    @property
    def refused_words(self) -> str:
        """Beats excluded, by reason, in words."""
        if self.metric is None or self.metric.origin == Origin.ENTERED:
            return "not known: entered by hand" if self.metric else ""
        return ", ".join(f"{count} {refusal_words(reason)}" for reason, count in self.refused.items()) or "none"


def refusal_words(reason: str) -> str:
    return _REASONS.get(reason, reason.replace("_", " "))


def epochs_used(session: Session, key: str) -> list[UsedEpoch]:
    """Return every epoch of the session in order of time, with the metric's number in force, in three queries."""
    # Only the column of reasons is read: the beats themselves are large.
    stored = EpochBeats.objects.filter(epoch__session=session).values_list("epoch_id", F("columns__refused"))
    refused = {epoch: Counter(reason for reason in reasons or [] if reason) for epoch, reasons in stored}
    metrics: dict[object, list[EpochMetric]] = {}
    for metric in EpochMetric.objects.filter(epoch__session=session, key=key):
        metrics.setdefault(metric.epoch_id, []).append(metric)
    return [
        UsedEpoch(epoch, metric_in_force(metrics.get(epoch.pk, [])).get(key), dict(refused.get(epoch.pk, {})))
        for epoch in session.epochs.select_related("site")
    ]
