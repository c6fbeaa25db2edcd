"""What a comparison says in words: the same sentences on the page, in the report and in the terminal."""

from __future__ import annotations

import math
from dataclasses import dataclass

from procedures.acute_response import Settings
from procedures.metrics import Direction, Metric
from procedures.models import AcuteResponse, ResponseSummary
from procedures.selectors.comparison import SessionComparison, SiteRow

CLEARLY_BETTER = 0.95  # the same probability at which a comparison counts as decided (project choice)
_NEAR = f"{Settings().near_percent:g} point" + ("" if Settings().near_percent == 1 else "s")
_NOTHING = "Nothing to compare yet"
_RANKING = ("decided", "not_decided")
_PACING = {
    "intrinsic": "intrinsic conduction",
    "rv_paced": "right-ventricular pacing",
    "atrial_paced": "atrial pacing with intrinsic conduction",
    "unknown": "baseline (rhythm not recorded)",
}
FLAGS = {
    "one_visit": "measured once only",
    "one_baseline": "only one baseline, so drift is not known",
    "not_between_baselines": "no baseline both before and after it",
    "linear_scale": "values near zero or negative: change on a linear scale",
    "settling": "the heart was still settling when epochs began",
    "baseline_near_zero": "baseline near zero: a percentage change is not informative",
}


@dataclass(frozen=True)
class Headline:
    """The answer to read from across the room.

    ``state``: decided | open | single | refused | empty, ``status`` the same in words. ``certainty`` says how sure,
    ``to_do`` what to do next.
    """

    state: str
    status: str
    subject: str
    change: str = ""
    certainty: str = ""
    caveat: str = ""
    to_do: str = ""

    @property
    def message(self) -> str:
        """The message as one line."""
        return f"{self.subject}: {self.change}" if self.change else self.subject


def signed(value: float | None, decimals: int = 1) -> str:
    """Return a change with its sign, or an en dash where there is none."""
    if value is None:
        return "–"
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0:
        return text
    return f"{'+' if value > 0 else '−'}{text}"


def percent(value: float | None, decimals: int = 1) -> str:
    """Return a change in percent, which does not break before its sign."""
    return f"{signed(value, decimals)}\N{NO-BREAK SPACE}%"


def interval(low: float | None, high: float | None) -> str:
    """Return "+3.1 to +9.0", or words when there is no interval."""
    return "no interval" if low is None or high is None else f"{signed(low)} to {signed(high)}"


def probability(value: float | None) -> str:
    """Return a probability in percent; never 0 or 100, which no estimate can claim."""
    if value is None:
        return "–"
    share = 100.0 * value
    text = "<\N{NO-BREAK SPACE}1" if share < 1 else ">\N{NO-BREAK SPACE}99" if share > 99 else f"{share:.0f}"
    return f"{text}\N{NO-BREAK SPACE}%"


def in_sentence(metric: Metric) -> str:
    """Return the metric's name as it stands inside a sentence; "dP/dt max" keeps its letters."""
    return metric.label[0].lower() + metric.label[1:]


def baseline_words(comparison: SessionComparison) -> str:
    """Say what the baseline was."""
    return _PACING[comparison.session.baseline_pacing]


def baselines_used(comparison: SessionComparison) -> int:
    """Return how many baseline epochs carry the metric shown."""
    if comparison.summary and comparison.summary.drawing:
        return sum(1 for epoch in comparison.summary.drawing["epochs"] if epoch["state"] == "baseline")
    return comparison.baselines


def direction_words(comparison: SessionComparison) -> str:
    """Say which way is better."""
    lower = comparison.metric is not None and comparison.metric.direction is Direction.LOWER_IS_BETTER
    return "lower is better" if lower else "higher is better"


def headline(comparison: SessionComparison) -> Headline:
    """Return the message: which site leads, how sure that is, or why that cannot be said."""
    if not comparison.rows and not comparison.metrics:
        to_do = "Enter the first site, or upload a recording with marked epochs."
        return Headline("empty", _NOTHING, "No site has been tested yet.", to_do=to_do)
    if comparison.metric is None:
        to_do = "Enter metrics for a baseline and for a site, or upload a recording."
        message = "No metric has been measured yet, so sites cannot be compared."
        return Headline("empty", _NOTHING, message, to_do=to_do)
    leader = comparison.leader
    if leader is None or leader.response is None or comparison.summary is None:
        return _refused(comparison)
    change = f"{in_sentence(comparison.metric)} {percent(leader.response.change_percent)}"
    caveat = _caveat(leader)
    estimated = [row for row in comparison.rows if row.response]
    if len(estimated) == 1:
        certainty = "Only one site has been measured so far, so there is no ranking."
        return Headline("single", "One site only", leader.site.label, change, certainty, caveat)
    subject = f"{leader.site.label} leads"
    certainty = _certainty(comparison.summary, leader.response)
    if comparison.summary.decided:
        return Headline("decided", "Decided", subject, change, certainty, caveat)
    return Headline("open", "Not yet decided", subject, change, certainty, caveat)


def _certainty(summary: ResponseSummary, response: AcuteResponse) -> str:
    ranking = next((a for a in summary.advice if a["code"] in _RANKING), None)
    best = probability(response.probability_best)
    if ranking is None or ranking["number"] is None:
        return f"Probability of being the best site: {best}."
    near = ranking["number"] / 100.0
    if not summary.decided:
        near = math.floor(100.0 * near) / 100.0  # 94.9 % must not read as the 95 % that would decide
    return f"Best, or within {_NEAR} of the best: probability {probability(near)}. Best of all: {best}."


def _caveat(leader: SiteRow) -> str:
    response = leader.response
    better = response.probability_better_than_baseline if response else None
    if better is None or better >= CLEARLY_BETTER:
        return ""
    return f"It is not clearly better than baseline (probability {probability(better)})."


def _refused(comparison: SessionComparison) -> Headline:
    # Which of the two ordinary reasons it is can be told from the records; anything else keeps the engine's sentence.
    measured = any(row.visits for row in comparison.rows)
    label = comparison.metric.label if comparison.metric else ""
    if comparison.baselines == 0:
        message = "No baseline has been recorded, so changes cannot be calculated."
        to_do = "Stop pacing the site, let it settle, and record a baseline epoch; then measure the site again."
    elif not measured:
        message = "Only the baseline has been measured so far."
        to_do = "Pace a site, let it settle, and record an epoch there; then return to baseline."
    else:
        reason = comparison.summary.refusal if comparison.summary else ""
        message = f"{label} cannot be compared. {reason}".strip()
        to_do = "Choose another metric, or enter this one for at least one baseline and one site."
    return Headline("refused", "Cannot be compared", message, to_do=to_do)


def advice(comparison: SessionComparison, *, with_ranking: bool = False) -> list[str]:
    """Return what the comparison still needs, one sentence each; the ranking itself is the headline's to say."""
    left_out = () if with_ranking else (*_RANKING, "one_site")
    items = comparison.summary.advice if comparison.summary else []
    return [_with_names(item["sentence"], comparison.epoch_names) for item in items if item["code"] not in left_out]


def _with_names(sentence: str, names: dict[str, str]) -> str:
    for key, name in names.items():
        sentence = sentence.replace(f"Epoch {key}", f"The epoch {name}").replace(key, name)
    return sentence


def site_notes(row: SiteRow) -> list[str]:
    """Return what limits trust in a site's number, in words."""
    flags = row.response.flags if row.response else []
    return [FLAGS[flag] for flag in flags if flag in FLAGS]


def drift(comparison: SessionComparison) -> str:
    """Say how baseline moved through the session."""
    summary = comparison.summary
    if summary is None or summary.refusal:
        return ""
    if summary.drift_percent_per_min is None:
        return "Drift is not known: at least two baselines are needed."
    if abs(summary.drift_percent_per_min) < 0.005:
        return "No drift of the baseline found (below 0.01 % per minute)."
    return (
        f"Baseline drifted by {signed(summary.drift_percent_per_min, 2)} % per minute; the comparison allows for this."
    )


def order_stability(comparison: SessionComparison) -> str:
    """Say whether shrinking the estimates changed their order, in one sentence."""
    rows = [row for row in comparison.rows if row.response and row.response.shrunken_change_percent is not None]
    if len(rows) < 2 or comparison.metric is None:
        return ""
    sign = int(comparison.metric.direction)
    raw = sorted(rows, key=lambda row: -sign * row.response.change_percent)  # type: ignore[union-attr] # rows without a response were left out above
    labels, raw_labels = [row.site.label for row in rows], [row.site.label for row in raw]
    if labels == raw_labels:
        return "The measured change and the shrunken estimate give the same order."
    return f"By the measured change alone the order would be {', '.join(raw_labels)}."


def decision_words(comparison: SessionComparison) -> str:
    """Say what was decided and whether it was the leading site."""
    decision = comparison.decision
    if decision is None:
        return "No decision has been recorded."
    if decision.site is None:
        return "No site was chosen."
    label = next((m.label for m in comparison.metrics if m.key == decision.metric), decision.metric)
    if decision.was_leading is None:
        return f"Chosen by the physician: {decision.site.label}. No metric was named."
    place = "the leading site" if decision.was_leading else "not the leading site"
    return f"Chosen by the physician: {decision.site.label}, {place} by {label[0].lower() + label[1:]} at that time."
