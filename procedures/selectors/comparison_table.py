"""The comparison as lines of text, for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from procedures.selectors import comparison_words as words
from procedures.selectors.comparison import SessionComparison, SiteRow
from procedures.selectors.lead_measurements import Pair
from procedures.selectors.return_visit import return_visit
from procedures.selectors.weighing import metrics_agree, weigh_sites

_WIDTH = 118
_HEADS = (
    ("", "change", "95 % interval", "best", "shrunken", "paired", "unpaired", "epochs", "threshold", "phrenic", "QRS"),
    ("site", "%", "%", "", "%", "%", "%", "/ beats", "V at ms", "V", "ms"),
)


def as_table(comparison: SessionComparison, caution: str) -> str:
    """Return the comparison as text: headline, one row a site, what was not reached, advice, decision, caution."""
    session, metric = comparison.session, comparison.metric
    headline = words.headline(comparison)
    what = f"{metric.label}, {words.direction_words(comparison)}" if metric else "nothing measured"
    lines = [f"{session.code} · {what} · against {words.baseline_words(comparison)}", ""]
    lines += [f"{headline.status}. {headline.message.removesuffix('.')}."]
    lines += [text for text in (headline.certainty, headline.caveat, headline.to_do) if text]
    if comparison.rows:
        lines += ["", *_columns([*_HEADS, *(_cells(row) for row in comparison.rows)])]
    concerns = [f"{row.site.label}: {'; '.join(row.concerns)}." for row in comparison.rows if row.concerns]
    if concerns:
        lines += ["", "Electrical concerns", *concerns]
    open_limits = [f"{row.site.label}: {'; '.join(row.not_judged)}." for row in comparison.rows if row.not_judged]
    if open_limits:
        lines += ["", "Electrically not assessed", *open_limits]
    if comparison.not_reached:
        lines += ["", "Not reached"]
        lines += [f"{site.label}: {site.get_not_reached_reason_display().lower()}." for site in comparison.not_reached]
    weighed, agree, returned = weigh_sites(comparison), metrics_agree(comparison), return_visit(comparison)
    if weighed:
        lines += ["", "Sites side by side", weighed.sentence, *([agree] if agree else [])]
    if returned:
        lines += ["", f"Return to {returned.site.label}", *(check.sentence for check in returned.checks)]
    advice = words.advice(comparison)
    if advice:
        lines += ["", "Advice", *advice]
    lines.append("")
    if metric:
        lines.append(f"{words.baselines_used(comparison)} baselines used. {words.drift(comparison)}".strip())
        lines.append(f"Values {comparison.origin_words}.")
    lines += [words.decision_words(comparison), "", f"Caution. {caution}"]
    wrapped = [textwrap.fill(line, _WIDTH, subsequent_indent="  ") if len(line) > _WIDTH else line for line in lines]
    return "\n".join(wrapped).replace("\N{NO-BREAK SPACE}", " ")


def _cells(row: SiteRow) -> tuple[str, ...]:
    response = row.response
    if response is None:
        numbers: tuple[str, ...] = ("not compared", "", "", "", "", "", "")
    else:
        numbers = (
            words.signed(response.change_percent),
            words.interval(response.low_percent, response.high_percent),
            words.probability(response.probability_best),
            words.signed(response.shrunken_change_percent),
            words.signed(response.paired_change_percent),
            words.signed(response.unpaired_change_percent),
            f"{response.epochs} / {response.beats}",
        )
    return (row.site.label, *numbers, *_electrical(row.pair), _qrs(row))


def _electrical(pair: Pair | None) -> tuple[str, str]:
    threshold, phrenic = "–", "–"
    if pair and pair.threshold:
        threshold = f"{pair.threshold.capture_threshold_v:g} at {pair.threshold.pulse_width_ms:g}"
    if pair and pair.phrenic:
        volts, up_to = pair.phrenic.phrenic_threshold_v, pair.phrenic.phrenic_none_up_to_v
        phrenic = f"none to {up_to:g}" if volts is None else f"{volts:g}"
    return threshold, phrenic


def _qrs(row: SiteRow) -> str:
    """The duration in force and, by a letter, where it comes from: measured, calipers, typed."""
    if row.qrs is None or row.qrs.duration_ms is None:
        return "–"
    return f"{row.qrs.duration_ms:.0f} {row.qrs.origin.removeprefix('by ')}"


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    # The name stands left, numbers right.
    return [
        "  ".join(
            [row[0].ljust(widths[0])] + [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        ).rstrip()
        for row in rows
    ]
