"""Response and electrical facts of the sites side by side: which sites no other beats on all counts, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from procedures.acute_response.return_visit import TOLERANCES
from procedures.acute_response.weighing import Criterion, Fact, Weighing, weigh
from procedures.limits import LIMIT_PULSE_WIDTH_MS
from procedures.metrics import BY_KEY, Metric
from procedures.models import LongAxis, Stability
from procedures.selectors.comparison import SessionComparison, SiteRow
from procedures.selectors.comparison_words import in_sentence

# Responses closer than this count as equal (project choice, the same as "within 1 point of the best").
RESPONSE_RESOLUTION_POINTS = 1.0
# One step of a threshold test changes the ratio by about this much (project choice).
RATIO_RESOLUTION = 0.5

APICAL_NOTE = (
    "Apical position is shown but not counted: one cohort found more deaths with apical leads (Singh et al., "
    "Circulation 2011;123:1159), a larger one fewer (Leyva et al., J Am Heart Assoc 2018;7:e008508)."
)


@dataclass(frozen=True)
class WeighedSite:
    """One site: its facts in the order of the criteria, its position, and whether another site beats it."""

    row: SiteRow
    facts: list[Fact | None]
    beaten_by: str | None

    criteria: tuple[Criterion, ...]

    @property
    def pairs(self) -> list[tuple[Criterion, Fact | None]]:
        """Each criterion with the site's fact."""
        return list(zip(self.criteria, self.facts, strict=True))

    @property
    def apical(self) -> bool | None:
        """Whether the position is apical; None where that was not recorded."""
        if self.row.site.long_axis == LongAxis.UNKNOWN:
            return None
        return self.row.site.long_axis == LongAxis.APICAL


@dataclass(frozen=True)
class WeighedSites:
    """The counts, the sites, and the sentence that sums them up."""

    criteria: tuple[Criterion, ...]
    sites: list[WeighedSite]
    unbeaten: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The sites that no other beats on all counts; no choice is made between them."""
        if len(self.unbeaten) == 1:
            best = self.unbeaten[0]
            if all(site.beaten_by in (None, best) for site in self.sites):
                return (
                    f"By the values shown, {best} is at least as good as every other site on each criterion measured."
                )
            # Bounds are not always comparable: a site may be beaten by another that is beaten itself.
            return (
                f"By the values shown, no site improves on {best} without a disadvantage; "
                "for each of the others there is a site that does."
            )
        return (
            f"By the values shown, no site improves on {_listed(self.unbeaten, 'or')} without a disadvantage. "
            "Which advantage counts more is for the physician to decide."
        )


def weigh_sites(compared: SessionComparison) -> WeighedSites | None:
    """Weigh the sites that were reached; None with fewer than two that have a response."""
    rows = [row for row in compared.rows if row.response]
    if compared.metric is None or len(rows) < 2:
        return None
    criteria = _criteria(compared.metric)
    weighed: Weighing = weigh({row.site.label: _facts(row) for row in rows}, criteria)
    sites = [
        WeighedSite(
            row,
            [weighed.facts[row.site.label][criterion.key] for criterion in criteria],
            weighed.beaten_by.get(row.site.label),
            weighed.criteria,
        )
        for row in rows
    ]
    return WeighedSites(weighed.criteria, sites, weighed.unbeaten)


def _criteria(metric: Metric) -> list[Criterion]:
    one_step = TOLERANCES["capture_threshold_v"][0]
    return [
        Criterion("response", f"{metric.label}, change", int(metric.direction), "%", RESPONSE_RESOLUTION_POINTS),
        Criterion("threshold", f"Threshold at {LIMIT_PULSE_WIDTH_MS:g} ms", -1, "V", one_step),
        Criterion("phrenic", "Phrenic margin", 1, "times", RATIO_RESOLUTION),
        Criterion("sensing", "R wave", 1, "mV", TOLERANCES["sensed_r_wave_mv"][0]),
        Criterion("stable", "Stable", 1),
    ]


def _facts(row: SiteRow) -> dict[str, Fact | None]:
    pair = row.pair
    facts: dict[str, Fact | None] = {"response": Fact(row.response.change_percent) if row.response else None}
    if row.site.stability != Stability.UNKNOWN:
        facts["stable"] = Fact(float(row.site.stability == Stability.STABLE))
    if pair is None:
        return facts
    threshold = pair.threshold
    if threshold and threshold.capture_threshold_v is not None and threshold.pulse_width_ms == LIMIT_PULSE_WIDTH_MS:
        facts["threshold"] = Fact(threshold.capture_threshold_v)
    if pair.ratio is not None:
        facts["phrenic"] = Fact(pair.ratio, at_least=pair.ratio_at_least)
    if pair.sensed_r_wave_mv is not None:
        facts["sensing"] = Fact(pair.sensed_r_wave_mv)
    return facts


def metrics_agree(compared: SessionComparison) -> str:
    """Say how many of the ranked metrics put the same site first, and which do not; empty with fewer than two."""
    leaders = {
        key: row.site.label for row in compared.rows for key, response in row.by_metric.items() if response.rank == 1
    }
    if len(leaders) < 2 or len(compared.rows) < 2:
        return ""
    site, votes = Counter(leaders.values()).most_common(1)[0]
    if votes == len(leaders):
        return f"All {votes} ranked metrics rank {site} first."
    others: dict[str, list[str]] = {}
    for key, leader in leaders.items():
        if leader != site:
            others.setdefault(leader, []).append(_named(BY_KEY[key]))
    rest = " ".join(
        f"{label} ranks first by {_listed(sorted(names), 'and')}." for label, names in sorted(others.items())
    )
    return f"{votes} of {len(leaders)} ranked metrics rank {site} first. {rest}"


def _listed(names: Sequence[str], last: str) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {last} {names[-1]}"


def _named(metric: Metric) -> str:
    """The metric's name inside a list: without a comma of its own."""
    name, _, kind = in_sentence(metric).partition(", ")
    return f"{name} ({kind})" if kind else name
