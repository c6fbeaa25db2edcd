"""A session's epochs as the acute-response engine takes them."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from procedures.acute_response import BeatEpoch, Epoch, SummaryEpoch
from procedures.models import Epoch as EpochRecord
from procedures.models import EpochMetric, Origin, Session

BASELINE = "baseline"


def metric_in_force(metrics: list[EpochMetric]) -> dict[str, EpochMetric]:
    """Return by key the number that counts for one epoch: computed where there is one, else entered."""
    chosen: dict[str, EpochMetric] = {}
    for metric in metrics:
        if metric.key not in chosen or metric.origin == Origin.COMPUTED:
            chosen[metric.key] = metric
    return chosen


def observed_epochs(session: Session) -> dict[str, list[Epoch]]:
    """Return by metric key the epochs to compare: beat by beat where they were computed, summaries where typed.

    Times are seconds since the session started. Excluded epochs are left out.
    """
    found: dict[str, list[Epoch]] = defaultdict(list)
    records = session.epochs.filter(excluded_reason="").select_related("site", "beats").prefetch_related("metrics")
    for record in records:
        start_s = (record.started_at - session.started_at).total_seconds()
        end_s = (record.ended_at - session.started_at).total_seconds()
        state = record.site.label if record.site else BASELINE
        for key, metric in metric_in_force(list(record.metrics.all())).items():
            if metric.origin == Origin.COMPUTED and hasattr(record, "beats"):
                times, values = _used_beats(record, key, start_s)
                if times.size:
                    found[key].append(BeatEpoch(str(record.pk), state, start_s, end_s, times, values))
                    continue
            found[key].append(
                SummaryEpoch(
                    str(record.pk),
                    state,
                    start_s,
                    end_s,
                    metric.mean,
                    metric.sd,
                    metric.beats or 0,
                    metric.standard_error,
                )
            )
    return found


def _used_beats(record: EpochRecord, key: str, start_s: float) -> tuple[np.ndarray, np.ndarray]:
    columns = record.beats.columns
    values = np.array(columns.get(key, []), dtype=float)
    times = np.array(columns["time_s"], dtype=float)
    keep = np.array([reason == "" for reason in columns["refused"]])
    if values.size != times.size:
        return np.empty(0), np.empty(0)
    keep &= np.isfinite(values)
    return times[keep] - (record.recording_start_s or 0.0) + start_s, values[keep]
