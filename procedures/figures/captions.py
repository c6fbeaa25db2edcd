"""The headline and subtitle of each figure: what it shows in this session, then what was drawn. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from procedures.selectors.comparison import SessionComparison
from procedures.selectors.comparison_words import baseline_words, baselines_used, in_sentence, interval, percent

_LOOP_METRICS = ("stroke_work_mmhg_ml", "sv_ml", "edp_mmhg")


@dataclass(frozen=True)
class Caption:
    """Headline with the message; subtitle with what is drawn."""

    title: str
    subtitle: str


def captions(comparison: SessionComparison, segment_site: str | None) -> dict[str, Caption]:
    """Return the captions by name of figure, for those figures that have something to say."""
    leader, metric = comparison.leader, comparison.metric
    if leader is None or leader.response is None or metric is None:
        return {}
    name = leader.site.label
    response = leader.response
    against = f"against {baseline_words(comparison)}"
    lower = "the axis is reversed, because lower is better" if metric.direction < 0 else "better is to the right"
    firsts = sum(1 for m in comparison.metrics if (r := leader.by_metric.get(m.key)) and r.rank == 1)
    used = baselines_used(comparison)
    baselines = "1 baseline" if used == 1 else f"{used} baselines"
    found = {
        "sites": Caption(
            f"{name}: {percent(response.change_percent)} ({interval(response.low_percent, response.high_percent)})",
            f"Change of {in_sentence(metric)} {against}, with its 95 % interval; the vertical line is the "
            f"shrunken estimate; {lower}; an exclamation mark is an electrical concern, a question mark a "
            "limit that could not be assessed.",
        ),
        "metrics": Caption(
            f"{name} is first in {firsts} of {len(comparison.metrics)} metrics",
            f"Change of each metric {against}, with its 95 % interval. Better is always to the right; "
            "where lower is better (↓) the axis is reversed.",
        ),
        "loops": Caption(
            f"{name} {against}: " + _loop_changes(comparison, name),
            "Average pressure-volume loop of each state over the beats used; heavy lines: baseline, the two "
            "leading sites and the chosen site. Tap a name above to hide or show it.",
        ),
        "timeline": Caption(
            _drift_title(comparison),
            f"Mean {in_sentence(metric)} of each epoch in order of time, over the fitted baseline with its 95 % band "
            f"({baselines}, hollow circles).",
        ),
    }
    if segment_site:
        found["segments"] = Caption(
            f"{segment_site} {against}: " + _change(comparison, segment_site, "dyssynchrony_percent"),
            "Volume of each segment (mL) through the cycle from the start of the beat, base at the top, apex below.",
        )
    return found


def _change(comparison: SessionComparison, label: str, key: str) -> str:
    row = next((row for row in comparison.rows if row.site.label == label), None)
    metric = next((m for m in comparison.metrics if m.key == key), None)
    if row is None or metric is None or key not in row.by_metric:
        return "volume of each segment"
    return f"{in_sentence(metric)} {percent(row.by_metric[key].change_percent)}"


def _loop_changes(comparison: SessionComparison, label: str) -> str:
    measured = {metric.key for metric in comparison.metrics}
    parts = [_change(comparison, label, key) for key in _LOOP_METRICS if key in measured]
    return ", ".join(parts) or "the loops of this session"


def _drift_title(comparison: SessionComparison) -> str:
    slope = comparison.summary.drift_percent_per_min if comparison.summary else None
    if slope is None:
        return "Only one baseline: drift is not known"
    if abs(slope) < 0.005:
        return "No drift of the baseline found"
    return f"Baseline drifted by {percent(slope, 2)} a minute"
