"""All files of an export, and every field that never leaves, with the reason."""

from __future__ import annotations

from collections.abc import Iterator

from analytics.cohort import patient_tables as about_patients
from analytics.cohort import session_tables as about_sessions
from analytics.cohort.columns import Column
from analytics.cohort.selection import Cohort
from analytics.cohort.tables import Cells, Table
from procedures.metrics import METRICS, Direction


def _metric_rows(_: Cohort) -> Iterator[Cells]:
    for metric in METRICS:
        yield [metric.key, metric.label, metric.ucum, Direction(metric.direction).name.lower()]


def _listed(name: str, label: str, allowed: str = "") -> Column:
    return Column(name, label, "string", "the project's catalogue of metrics", (), lambda row, _: None, allowed=allowed)


METRIC_LIST = Table(
    "metrics",
    "One row a metric: what the key in the other files means.",
    (
        _listed("metric", "Key"),
        _listed("label", "Label"),
        _listed("unit", "Unit, UCUM"),
        _listed("direction", "Which way is better", "|".join(one.name.lower() for one in Direction)),
    ),
    read=_metric_rows,
)

TABLES: tuple[Table, ...] = (
    about_patients.PATIENTS,
    about_sessions.SESSIONS,
    about_sessions.SITES,
    about_sessions.LEAD_MEASUREMENTS,
    about_sessions.EPOCHS,
    about_sessions.EPOCH_METRICS,
    about_sessions.ACUTE_RESPONSES,
    about_sessions.DECISIONS,
    about_patients.LVESV_RESPONSES,
    about_patients.ASSESSMENTS,
    about_patients.ADVERSE_EVENTS,
    about_patients.DEVICES,
    METRIC_LIST,
)

_IDENTIFIES, _FREE_TEXT, _STAFF = (
    "names a person",
    "free text may name a person",
    "names or points to a member of staff",
)
_LINK, _UPKEEP = "used for selection or for links only, which become pseudonyms", "upkeep of the record"
_BULK = "the recording and its beats are not part of this export"


def _all(names: str, reason: str) -> dict[str, str]:
    return dict.fromkeys(names.split(), reason)


# A field of a patient's or session's record is a source of a column above or stands here; a test sees to it.
WITHHELD: dict[str, dict[str, str]] = {
    "registry.patient": {"code": _IDENTIFIES, "centre": "geography below the state"},
    "registry.patientidentity": {
        "family_name": _IDENTIFIES,
        "given_name": _IDENTIFIES,
        "local_identifier": _IDENTIFIES,
        "local_identifier_digest": _IDENTIFIES,
    },
    "registry.consent": {"scope": _LINK, "given_on": _LINK, "withdrawn_on": _LINK},
    "registry.device": {"model_name": _FREE_TEXT, "serial_number": "device identifier"},
    "registry.adverseevent": {"description": _FREE_TEXT},
    "procedures.session": {
        "centre": "geography below the state",
        "code": _IDENTIFIES,
        "operator": _STAFF,
        "notes": _FREE_TEXT,
        "signed_by": _STAFF,
        "signed_at": _UPKEEP,
        "signed_content": "a copy of the session with codes and free text",
    },
    "procedures.amendment": {"made_by": _STAFF, "made_at": _UPKEEP, "reason": _FREE_TEXT, "summary": _FREE_TEXT},
    "procedures.logentry": {"kind": _UPKEEP, "occurred_at": _UPKEEP, "text": _FREE_TEXT, "author": _STAFF},
    "procedures.tributary": {"notes": _FREE_TEXT},
    "procedures.site": {"label": _FREE_TEXT, "cathode": _FREE_TEXT, "anode": _FREE_TEXT, "notes": _FREE_TEXT},
    "procedures.leadmeasurement": {"qrs_notes": _FREE_TEXT, "confirmed_unusual": _UPKEEP},
    "procedures.recording": _all(
        "sha256 file original_name format size_bytes duration_s started_at axis_start_s channels mapping", _BULK
    )
    | {"uploaded_by": _STAFF},
    "procedures.analysisrun": _all(
        "state progress_percent step attempts settings quality failure started_at finished_at", _BULK
    ),
    "procedures.beatoverride": _all("recording time_s counts", _BULK) | {"reason": _FREE_TEXT, "judged_by": _STAFF},
    "procedures.calibration": _all(
        "valid_from_s electrode_spacing_mm blood_resistivity_ohm_cm excluded_segments alpha alpha_origin "
        "alpha_standard_error reference_sv_ml reference_start_s reference_end_s parallel_volume_ml parallel_origin "
        "parallel_standard_error_ml wash_in_start_s wash_in_end_s",
        _BULK,
    ),
    "procedures.epoch": {"recording_start_s": _BULK, "recording_end_s": _BULK},
    "procedures.epochbeats": {"columns": _BULK, "loop": _BULK},
    "procedures.acuteresponse": {"flags": _FREE_TEXT},
    "procedures.responsesummary": _all(
        "metric decided drift_percent_per_min advice drawing refusal algorithm_version computed_at",
        "the fit can be redone from epochs and metrics",
    ),
    "procedures.decision": {"decided_by": _STAFF, "reason": _FREE_TEXT},
}
