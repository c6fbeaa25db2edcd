"""The epochs behind one metric's comparison: what was used, what was refused and why."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.db.models import F
from django.utils.timezone import localtime

from procedures.models import Epoch, EpochBeats, EpochMetric, Origin, Session
from procedures.rhythms import RHYTHMS
from procedures.selectors.observations import metric_in_force

# Reasons of the pressure-volume engine whose name is no plain English.
_REASONS = {
    "post_ectopic": "after an ectopic",
    "partial_breath": "of a partial breath",
    "by_hand": "excluded by hand",
}


@dataclass(frozen=True)
class UsedEpoch:
    """One epoch with the number that counted; ``refused`` are beats by reason, and the rhythm: empty where typed."""

    epoch: Epoch
    metric: EpochMetric | None
    refused: dict[str, int]
    rhythm: str = ""
    rhythm_remark: str = ""
    rhythm_limits: bool = False

    @property
    def rhythm_words(self) -> str:
        """The rhythm in words; empty where it was not judged: typed epochs and older analyses."""
        if self.metric is not None and self.metric.origin == Origin.ENTERED:
            return ""
        return RHYTHMS.get(self.rhythm, "")

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
    stored = EpochBeats.objects.filter(epoch__session=session).values_list(
        "epoch_id", F("columns__refused"), "rhythm", "rhythm_remark", "rhythm_limits"
    )
    refused, rhythms = {}, {}
    for epoch, reasons, *rhythm in stored:
        refused[epoch] = Counter(reason for reason in reasons or [] if reason)
        rhythms[epoch] = rhythm
    metrics: dict[object, list[EpochMetric]] = {}
    for metric in EpochMetric.objects.filter(epoch__session=session, key=key):
        metrics.setdefault(metric.epoch_id, []).append(metric)
    return [
        UsedEpoch(
            epoch,
            metric_in_force(metrics.get(epoch.pk, [])).get(key),
            dict(refused.get(epoch.pk, {})),
            *rhythms.get(epoch.pk, ()),
        )
        for epoch in session.epochs.select_related("site")
    ]


@dataclass(frozen=True)
class RhythmRemark:
    """What the rhythm of an epoch means for its numbers, in a sentence."""

    label: str
    kind: str
    remark: str


def rhythm_remarks(session: Session) -> list[RhythmRemark]:
    """Return the remarks about epochs that count and whose rhythm limits their numbers, in order of time."""
    stored = (
        EpochBeats.objects.filter(epoch__session=session, epoch__excluded_reason="", rhythm_limits=True)
        .select_related("epoch__site")
        .defer("columns", "loop")
        .order_by("epoch__started_at", "epoch_id")
    )
    return [
        RhythmRemark(
            f"{beats.epoch.label} at {localtime(beats.epoch.started_at):%H:%M:%S}", beats.rhythm, beats.rhythm_remark
        )
        for beats in stored
    ]
