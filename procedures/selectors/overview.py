"""A session arranged for its page: sites by tributary, epochs with the metrics that were measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from procedures.metrics import BY_KEY, METRICS, Metric
from procedures.models import Epoch, EpochMetric, Origin, Session, Site, Tributary
from procedures.selectors.ecgs import StateQrs
from procedures.selectors.lead_measurements import Pair, site_pair
from procedures.selectors.observations import metric_in_force

# What the table of epochs shows first, as far as it was measured; the rest stands on the page of the epoch.
_FIRST = ("stroke_work_mmhg_ml", "dpdt_max_mmhg_per_s", "sv_ml", "edp_mmhg", "p_max_mmhg", "heart_rate_per_min")
COLUMNS = 5


@dataclass(frozen=True)
class SiteLine:
    """A site with what was measured there electrically, and its QRS duration."""

    site: Site
    pair: Pair | None
    qrs: StateQrs | None = None


@dataclass(frozen=True)
class TributaryGroup:
    """A tributary with its sites."""

    tributary: Tributary
    lines: list[SiteLine]


@dataclass(frozen=True)
class EpochRow:
    """An epoch with the number in force for each column, and where its numbers come from."""

    epoch: Epoch
    duration_s: float
    cells: list[tuple[Metric, EpochMetric | None]]
    origin: str


def tributary_groups(session: Session, qrs: Mapping[UUID, StateQrs] | None = None) -> list[TributaryGroup]:
    """Group the sites of a session of ``session_detail`` by tributary, in the order they were entered."""
    by_tributary: dict[object, list[SiteLine]] = {}
    for site in session.sites.all():
        line = SiteLine(site, site_pair(site, site.measurements.all()), (qrs or {}).get(site.pk))
        by_tributary.setdefault(site.tributary_id, []).append(line)
    return [TributaryGroup(t, by_tributary.get(t.pk, [])) for t in session.tributaries.all()]


def epoch_columns(session: Session) -> list[Metric]:
    """Return the metrics to show of each epoch: at most five that were measured at all."""
    measured = {metric.key for epoch in session.epochs.all() for metric in epoch.metrics.all()}
    order = [*_FIRST, *(metric.key for metric in METRICS if metric.key not in _FIRST)]
    return [BY_KEY[key] for key in order if key in measured][:COLUMNS]


def epoch_rows(session: Session, columns: list[Metric]) -> list[EpochRow]:
    """Return the epochs of a session of ``session_detail`` in order of time."""
    rows = []
    for epoch in session.epochs.all():
        chosen = metric_in_force(list(epoch.metrics.all()))
        cells = [(metric, chosen.get(metric.key)) for metric in columns]
        seconds = (epoch.ended_at - epoch.started_at).total_seconds()
        rows.append(EpochRow(epoch, seconds, cells, origin_words({m.origin for m in chosen.values()})))
    return rows


def origin_words(origins: set[str]) -> str:
    """Say where numbers come from."""
    if not origins:
        return "no values yet"
    if origins == {Origin.COMPUTED}:
        return "computed"
    return "entered by hand" if origins == {Origin.ENTERED} else "computed, some entered by hand"
