"""The indication for CRT by the guidelines, from what was recorded before the implant."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from registry.clinical.guidelines import GUIDELINES, Findings, Indication, Known, classify
from registry.models import Assessment, AssessmentKind, Patient

# Finding of the guidelines -> field of the assessment.
_FIELDS = {
    "lvef_percent": "lvef_percent",
    "qrs_ms": "qrs_duration_ms",
    "morphology": "qrs_morphology",
    "rhythm": "rhythm",
    "nyha": "nyha_class",
    "therapy_optimised": "therapy_optimised",
    "av_block": "av_block",
    "pacing_need": "pacing_need",
    "pacing_percent": "ventricular_pacing_percent",
    "capture_assured": "capture_assured",
    "previous_device": "previous_device",
}


def findings_before(patient: Patient, assessments: Sequence[Assessment], until: date | None) -> Findings:
    """Return each finding's latest known value among the assessments before the implant, with its day."""
    before = [
        one for one in assessments if one.kind == AssessmentKind.BEFORE and (until is None or one.assessed_on <= until)
    ]
    known: dict[str, Any] = {}
    for finding, field in _FIELDS.items():
        values = [(getattr(one, field), one.assessed_on) for one in before]
        told = [Known(value, day) for value, day in values if value not in (None, "unknown")]
        known[finding] = told[-1] if told else Known()
    known["pacing_need"] = _pacing_need(known["av_block"], known["pacing_need"])
    known["sex"] = Known() if patient.sex == "unknown" else Known(patient.sex)
    return Findings(**known)


def _pacing_need(block: Known, other: Known) -> Known:
    """Any need of ventricular pacing: yes when one reason is known, no only when both were denied."""
    for one in (block, other):
        if one.value:
            return one
    return other if block.value is False else Known()


def indications(patient: Patient, assessments: Sequence[Assessment], until: date | None) -> list[Indication]:
    """Return what each guideline says of the patient as known on the day of the first implant, or today."""
    found = findings_before(patient, assessments, until)
    return [classify(guideline, found) for guideline in GUIDELINES]
