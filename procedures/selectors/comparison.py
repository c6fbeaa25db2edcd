"""The comparison of a session's sites as the page, the report and the command show it."""

from __future__ import annotations

from dataclasses import dataclass, field

from django.utils.timezone import localtime

from procedures.metrics import BY_KEY, METRICS, Metric
from procedures.models import (
    AcuteResponse,
    Decision,
    EpochMetric,
    Origin,
    ResponseSummary,
    Session,
    Site,
    Stability,
)
from procedures.selectors.ecgs import StateQrs, qrs_by_state
from procedures.selectors.lead_measurements import NOTHING_JUDGED, Pair, site_pair

# Stroke work and dP/dt max predicted outcome differently in published cohorts (stroke work best: de Roest et al.,
# Eur J Heart Fail 2013;15:299); the first of these that was measured opens the page, any other is one choice away.
OPENING_METRICS = ("stroke_work_mmhg_ml", "dpdt_max_mmhg_per_s", "sv_ml")


@dataclass(frozen=True)
class SiteRow:
    """One tested site: its response in each metric and what stands beside it electrically."""

    site: Site
    response: AcuteResponse | None
    by_metric: dict[str, AcuteResponse]
    pair: Pair | None
    visits: int
    qrs: StateQrs | None = None

    @property
    def concerns(self) -> list[str]:
        """What stands against the site electrically, and an unstable lead."""
        unstable = ["unstable position"] if self.site.stability == Stability.UNSTABLE else []
        return [*(self.pair.concerns if self.pair else ()), *unstable]

    @property
    def not_judged(self) -> list[str]:
        """Which electrical limits could not be held against it."""
        return self.pair.not_judged if self.pair else list(NOTHING_JUDGED)


@dataclass(frozen=True)
class SessionComparison:
    """Sites against baseline in one metric, best first, with everything that qualifies the ranking.

    ``sites`` are all of the session in order of creation; ``epoch_names`` turns an epoch's key into words.
    """

    session: Session
    metric: Metric | None
    metrics: list[Metric]
    summary: ResponseSummary | None
    rows: list[SiteRow]
    not_reached: list[Site]
    sites: list[Site]
    baselines: int
    decision: Decision | None
    origins: set[str] = field(default_factory=set)
    epoch_names: dict[str, str] = field(default_factory=dict)

    @property
    def leader(self) -> SiteRow | None:
        """The site with the best estimate, if any could be estimated."""
        return self.rows[0] if self.rows and self.rows[0].response else None

    @property
    def origin_words(self) -> str:
        """Whether the numbers were computed, typed, or both."""
        if self.origins == {Origin.COMPUTED}:
            return "computed from recordings"
        if self.origins == {Origin.ENTERED}:
            return "entered by hand"
        return "partly computed from recordings, partly entered by hand" if self.origins else "none"


def compare_session(session: Session, metric_key: str | None = None) -> SessionComparison:
    """Return the comparison in the metric asked for, or in the first opening metric that was measured.

    Unknown keys count as not asked for. The number of queries does not depend on the number of sites.
    """
    summaries = {summary.metric: summary for summary in session.response_summaries.all()}
    measured = [metric for metric in METRICS if metric.key in summaries]
    key = metric_key if metric_key in summaries else None
    key = key or next((k for k in OPENING_METRICS if k in summaries), None) or (measured[0].key if measured else None)
    responses: dict[object, dict[str, AcuteResponse]] = {}
    for response in session.responses.all():
        responses.setdefault(response.site_id, {})[response.metric] = response
    sites = list(session.sites.select_related("tributary").prefetch_related("measurements", "epochs"))
    qrs = qrs_by_state(session)
    rows = [_row(site, key, responses.get(site.pk, {}), qrs.get(site.pk)) for site in sites if site.reached]
    rows.sort(key=lambda row: (row.response is None, row.response.rank if row.response else 0, row.site.label))
    epochs = list(session.epochs.filter(excluded_reason="").select_related("site"))
    return SessionComparison(
        session=session,
        metric=BY_KEY[key] if key else None,
        metrics=measured,
        summary=summaries.get(key) if key else None,
        rows=rows,
        not_reached=[site for site in sites if not site.reached],
        sites=sites,
        baselines=sum(1 for epoch in epochs if epoch.site_id is None),
        decision=session.decisions.select_related("site", "decided_by").order_by("-decided_at", "-id").first(),
        origins=_origins(session, key) if key else set(),
        epoch_names={str(epoch.pk): f"{epoch.label} at {localtime(epoch.started_at):%H:%M:%S}" for epoch in epochs},
    )


def _origins(session: Session, key: str) -> set[str]:
    """Return the origins of the numbers in force: where an epoch has both, the computed one counts."""
    metrics = EpochMetric.objects.filter(epoch__session=session, epoch__excluded_reason="", key=key)
    by_epoch: dict[object, str] = {}
    for epoch_id, origin in metrics.values_list("epoch_id", "origin"):
        if by_epoch.get(epoch_id) != Origin.COMPUTED:
            by_epoch[epoch_id] = origin
    return set(by_epoch.values())


def _row(site: Site, key: str | None, by_metric: dict[str, AcuteResponse], qrs: StateQrs | None) -> SiteRow:
    pair = site_pair(site, site.measurements.all())
    visits = sum(1 for epoch in site.epochs.all() if not epoch.excluded_reason)
    return SiteRow(site, by_metric.get(key) if key else None, by_metric, pair, visits, qrs)
