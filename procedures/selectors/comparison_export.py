"""The comparison as plain values, for ``compare_sites --json``."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from procedures.models import Decision
from procedures.selectors import comparison_words as words
from procedures.selectors.comparison import SessionComparison, SiteRow
from procedures.selectors.epochs_used import rhythm_remarks
from procedures.selectors.lead_measurements import Pair
from procedures.selectors.return_visit import return_visit
from procedures.selectors.weighing import metrics_agree, weigh_sites

_ESTIMATES = (
    "change_percent", "low_percent", "high_percent", "probability_best", "probability_better_than_baseline",
    "shrunken_change_percent", "shrunken_low_percent", "shrunken_high_percent",
    "paired_change_percent", "paired_low_percent", "paired_high_percent",
    "unpaired_change_percent", "unpaired_low_percent", "unpaired_high_percent",
    "epochs", "beats",
)  # fmt: skip


def as_values(comparison: SessionComparison, caution: str) -> dict[str, Any]:
    """Return everything the comparison says, sites named as in ``acute_response``; what is not known is None."""
    summary, metric = comparison.summary, comparison.metric
    headline = words.headline(comparison)
    return {
        "session": comparison.session.code,
        "session_id": str(comparison.session.pk),
        "centre": comparison.session.centre.code,
        "baseline": {"pacing": comparison.session.baseline_pacing, "epochs": words.baselines_used(comparison)},
        "metric": metric.key if metric else None,
        "unit": metric.ucum if metric else None,
        "direction": int(metric.direction) if metric else None,
        "drift_percent_per_min": _plain(summary.drift_percent_per_min) if summary else None,
        "decided": summary.decided if summary else False,
        "sites": [_site(row) for row in comparison.rows],
        "rhythms": [asdict(remark) for remark in rhythm_remarks(comparison.session)],
        "advice": words.advice(comparison, with_ranking=True),
        "refusal": "" if comparison.leader else headline.message,
        "not_reached": [
            {
                "state": site.label,
                "tributary": site.tributary.vein,
                "aha_segment": site.aha_segment,
                "reason": site.not_reached_reason,
            }
            for site in comparison.not_reached
        ],
        "decision": _decision(comparison.decision),
        "weighing": _weighing(comparison),
        "return_visit": _return_visit(comparison),
        "origin": "mixed" if len(comparison.origins) > 1 else next(iter(comparison.origins), None),
        "algorithm_version": summary.algorithm_version if summary else None,
        "caution": caution,
    }


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _site(row: SiteRow) -> dict[str, Any]:
    return {
        "state": row.site.label,
        "tributary": row.site.tributary.vein,
        "aha_segment": row.site.aha_segment,
        **{name: _plain(getattr(row.response, name, None)) for name in _ESTIMATES},
        "flags": list(row.response.flags) if row.response else [],
        "measurement": _measured(row.pair) if row.pair else None,
        "qrs": _qrs(row),
        "concerns": row.concerns,
        "not_judged": row.not_judged,
    }


def _measured(pair: Pair) -> dict[str, Any]:
    """Return of each quantity the latest that was measured with the site's electrodes."""
    typed = next((m for m in reversed(pair.measurements) if m.qrs_duration_ms is not None or m.qrs_notes), None)
    return {
        "capture_threshold_v": pair.threshold.capture_threshold_v if pair.threshold else None,
        "pulse_width_ms": pair.threshold.pulse_width_ms if pair.threshold else None,
        "sensed_r_wave_mv": pair.sensed_r_wave_mv,
        "impedance_ohm": pair.impedance_ohm,
        "phrenic_threshold_v": pair.phrenic.phrenic_threshold_v if pair.phrenic else None,
        "phrenic_none_up_to_v": pair.phrenic.phrenic_none_up_to_v if pair.phrenic else None,
        "qrs_duration_ms": typed.qrs_duration_ms if typed else None,
        "qrs_notes": typed.qrs_notes if typed else "",
    }


def _qrs(row: SiteRow) -> dict[str, Any] | None:
    """The QRS duration in force: measured stands over calipers, calipers over typed."""
    if row.qrs is None or row.qrs.duration_ms is None:
        return None
    return {
        "duration_ms": _plain(round(row.qrs.duration_ms, 1)),
        "sd_ms": None if row.qrs.sd_ms is None else round(row.qrs.sd_ms, 1),
        "origin": row.qrs.origin,
        "typed_ms": row.qrs.typed_ms,
    }


def _weighing(comparison: SessionComparison) -> dict[str, Any] | None:
    weighed = weigh_sites(comparison)
    if weighed is None:
        return None
    return {
        "criteria": [asdict(criterion) for criterion in weighed.criteria],
        "sites": [
            {
                "state": site.row.site.label,
                "apical": site.apical,
                "beaten_by": site.beaten_by,
                "facts": {c.key: asdict(fact) if fact else None for c, fact in site.pairs},
            }
            for site in weighed.sites
        ],
        "unbeaten": list(weighed.unbeaten),
        "metrics_agree": metrics_agree(comparison),
    }


def _return_visit(comparison: SessionComparison) -> dict[str, Any] | None:
    returned = return_visit(comparison)
    if returned is None:
        return None
    return {
        "state": returned.site.label,
        "returned_at": returned.returned_at.isoformat(),
        "warns": returned.warns,
        "checks": [asdict(check) for check in returned.checks],
    }


def _decision(decision: Decision | None) -> dict[str, Any] | None:
    if decision is None:
        return None
    return {
        "site": decision.site.label if decision.site else None,
        "decided_by": str(decision.decided_by),
        "decided_at": decision.decided_at.isoformat(),
        "reason": decision.reason,
        "metric": decision.metric or None,
        "was_leading": decision.was_leading,
    }
