"""A measured electrocardiogram as plain values, for JSON and for keeping."""

from __future__ import annotations

import math
from typing import Any

from procedures.electrocardiogram import (
    Criteria,
    LeadQrs,
    Measurement,
    aha_2009_lbbb,
    capture_by_ratio,
    capture_with_q,
    esc_2013_lbbb,
    morphology,
    strict_lbbb,
)


def as_dict(measured: Measurement, sex: str | None, notes: tuple[str, ...] = ()) -> dict[str, Any]:
    """The measurement as plain values; times in ms from the start of the average beat."""
    leads = measured.leads
    strict = strict_lbbb(measured.qrs_duration_ms, leads, sex)  # type: ignore[arg-type]  # argparse's choice
    result: dict[str, Any] = {
        "qrs_onset_ms": measured.onset_ms,
        "qrs_offset_ms": measured.offset_ms,
        "qrs_duration_ms": measured.qrs_duration_ms,
        "qrs_duration_sd_ms": measured.qrs_duration_sd_ms,
        "rr_ms": measured.rr_ms,
        "axis_degrees": measured.axis_degrees,
        "lead_i_initial_negative": leads["I"].initial_negative if "I" in leads else None,
        "v1_polarity": leads["V1"].polarity if "V1" in leads else None,
        "strict_lbbb": _criteria(strict),
        "esc_2013_lbbb": _criteria(esc_2013_lbbb(measured.qrs_duration_ms, leads)),
        "aha_2009_lbbb": _criteria(aha_2009_lbbb(measured.qrs_duration_ms, leads)),
        "paced": measured.paced,
        "latency_ms": measured.latency_ms,
        "stimuli": [
            {"from_onset_ms": s.from_onset_ms, "share": s.share, "size_mv": s.size_mv} for s in measured.stimuli
        ],
        "morphology": morphology(leads),
        "capture": None,
        "qrs_onset_sd_ms": measured.delineation.onset.sd_ms,
        "qrs_offset_sd_ms": measured.delineation.offset.sd_ms,
        "beats": {"averaged": int(measured.beat.beats.size), "others": measured.beat.others},
        "leads": {name: _lead(lead) for name, lead in leads.items()},
        "notes": [*notes, *measured.notes],
    }
    if measured.paced:
        pair = (capture_by_ratio, capture_with_q)
        verdicts = [judge(leads.get("V1"), leads.get("I")) for judge in pair]
        result["capture"] = [{"verdict": v.verdict, "source": v.source, "remark": v.remark} for v in verdicts]
    return _rounded(result)


def _criteria(criteria: Criteria) -> dict[str, Any]:
    clauses = [{"key": c.key, "text": c.text, "met": c.met, "values": dict(c.values)} for c in criteria.clauses]
    return {"met": criteria.met, "source": criteria.source, "clauses": clauses}


def _lead(lead: LeadQrs) -> dict[str, Any]:
    return {
        "pattern": lead.pattern or None,
        "waves": lead.waves,
        "q_mv": lead.q_mv,
        "r_mv": lead.r_mv,
        "s_mv": lead.s_mv,
        "r_peak_ms": lead.r_peak_ms,
        "intrinsicoid_ms": lead.intrinsicoid_ms,
        "notched": lead.notched,
        "slurred": lead.slurred,
        "notch_ms": lead.notch_ms,
        "area_mv_ms": lead.area_mv_ms,
        "level_mv": lead.level_mv,
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return [_rounded(item) for item in value] if isinstance(value, list | tuple) else value
