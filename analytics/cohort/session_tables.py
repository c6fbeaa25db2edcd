"""The exported tables about sessions: what was tested, measured, compared and decided."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import timezone

from analytics.cohort.columns import Column, Row, plain, pseudonym, since_start
from analytics.cohort.selection import Cohort
from analytics.cohort.tables import Table
from procedures.metrics import METRICS
from procedures.models import (
    AcuteResponse,
    AnalysisRun,
    Decision,
    EcgMeasurement,
    Epoch,
    EpochBeats,
    EpochMetric,
    IntervalReading,
    LeadMeasurement,
    PacingConfiguration,
    Session,
    Site,
    Tributary,
)

_SESSION_HASH, _SITE_HASH = "keyed hash of procedures.session.id", "keyed hash of procedures.site.id"
_EPOCH_HASH = "keyed hash of procedures.epoch.id"


def _session(path: str = "session_id") -> Column:
    return pseudonym("session", "Pseudonym of the session", path, _SESSION_HASH)


def _site(path: str = "site_id", label: str = "Pseudonym of the site") -> Column:
    return pseudonym("site", label, path, _SITE_HASH)


def _session_day(row: Row, cohort: Cohort) -> dt.date:
    return cohort.deidentifier.shifted(row["patient_id"], timezone.localdate(row["started_at"]))


def _duration_min(row: Row, cohort: Cohort) -> float | None:
    return None if row["ended_at"] is None else (row["ended_at"] - row["started_at"]).total_seconds() / 60


def _numbers(model: Any, *names: str) -> tuple[Column, ...]:
    return tuple(plain(model, name) for name in names)


def _left_out(model: Any, name: str, label: str) -> Column:
    source = f"{model._meta.label_lower}.excluded_reason"
    return Column(name, label, "boolean", source, ("excluded_reason",), lambda row, _: row["excluded_reason"] != "")


def _metric_key(model: type[AcuteResponse] | type[EpochMetric] | type[Decision], name: str) -> Column:
    keys = "|".join(metric.key for metric in METRICS)
    return Column(
        "metric",
        "Metric, see metrics.csv",
        "code",
        f"{model._meta.label_lower}.{name}",
        (name,),
        lambda row, _: row[name] or None,
        allowed=keys,
    )


SESSIONS = Table(
    "sessions",
    "One row for each session.",
    (
        _session("id"),
        pseudonym("patient", "Pseudonym of the patient", "patient_id", "keyed hash of registry.patient.id"),
        Column(
            "session_on",
            "Date of the session",
            "date (shifted)",
            "procedures.session.started_at",
            ("started_at", "patient_id"),
            _session_day,
        ),
        Column(
            "duration_min",
            "From start to end",
            "number",
            "procedures.session.ended_at",
            ("started_at", "ended_at"),
            _duration_min,
            unit="min",
        ),
        *_numbers(Session, "procedure", "baseline_pacing", "outcome", "contrast_ml", "fluoroscopy_min"),
        *_numbers(Session, "dose_area_product_gy_cm2", "status"),
    ),
    model=Session,
    session="id",
    order=("started_at", "id"),
)
SITES = Table(
    "sites",
    "One row for each lead position, tested or not reached, in order of entry.",
    (
        _site("id"),
        _session(),
        plain(Tributary, "vein", path="tributary__vein"),
        plain(Tributary, "ordinal", path="tributary__ordinal", column="vein_ordinal"),
        *_numbers(Site, "long_axis", "aha_segment", "reached", "not_reached_reason", "stability"),
    ),
    model=Site,
    patient="session__patient_id",
    session="session_id",
)
LEAD_MEASUREMENTS = Table(
    "lead_measurements",
    "One row for each electrical measurement at a site; a site can have several.",
    (
        _site(),
        _session("site__session_id"),
        since_start(
            LeadMeasurement, "measured_at", "measured_at_s", "Time since the session started", "site__session_id"
        ),
        *_numbers(LeadMeasurement, "capture_threshold_v", "pulse_width_ms", "sensed_r_wave_mv", "impedance_ohm"),
        *_numbers(LeadMeasurement, "phrenic_threshold_v", "phrenic_none_up_to_v", "qrs_duration_ms"),
        *_numbers(LeadMeasurement, "output_v", "output_width_ms"),
    ),
    model=LeadMeasurement,
    patient="site__session__patient_id",
    session="site__session_id",
    order=("measured_at", "id"),
)
ECGS = Table(
    "ecgs",
    "One row for each measured 12-lead ECG: of an epoch, otherwise of a site; with neither it is a baseline.",
    (
        _session("recording__session_id"),
        pseudonym("epoch", "Pseudonym of the epoch; empty: not from an epoch", "epoch_id", _EPOCH_HASH),
        _site(label="Pseudonym of the site; for an epoch, see the epoch"),
        since_start(
            EcgMeasurement, "measured_at", "measured_at_s", "Time since the session started", "recording__session_id"
        ),
        *_numbers(EcgMeasurement, "qrs_duration_ms", "qrs_duration_sd_ms", "rr_ms", "axis_degrees", "paced"),
        *_numbers(EcgMeasurement, "latency_ms", "beats", "algorithm_version"),
        _left_out(EcgMeasurement, "set_aside", "Set aside by a user"),
    ),
    model=EcgMeasurement,
    patient="recording__session__patient_id",
    session="recording__session_id",
    order=("measured_at", "id"),
)
INTERVALS = Table(
    "interval_readings",
    "One row for each interval entered or read with calipers; without a site it is of the baseline.",
    (
        _session(),
        _site(label="Pseudonym of the site; empty is baseline"),
        since_start(IntervalReading, "read_at", "read_at_s", "Time since the session started"),
        *_numbers(IntervalReading, "kind", "origin", "duration_ms"),
        _left_out(IntervalReading, "withdrawn", "Withdrawn by a user"),
    ),
    model=IntervalReading,
    patient="session__patient_id",
    session="session_id",
    order=("read_at", "id"),
)
EPOCHS = Table(
    "epochs",
    "One row for each steady stretch under one pacing configuration; without a site it is a baseline.",
    (
        pseudonym("epoch", "Pseudonym of the epoch", "id", _EPOCH_HASH),
        _session(),
        _site(label="Pseudonym of the site; empty is baseline"),
        since_start(Epoch, "started_at", "start_s", "Start, time since the start of the session"),
        since_start(Epoch, "ended_at", "end_s", "End, time since the start of the session"),
        _left_out(Epoch, "excluded", "Excluded from the comparison"),
        *(
            plain(PacingConfiguration, name, path=f"pacing__{name}", column=name)
            for name in ("chambers", "rate_per_min", "av_delay_ms", "vv_delay_ms")
        ),
        plain(EpochBeats, "rhythm", path="beats__rhythm", column="rhythm"),
        plain(EpochBeats, "rhythm_limits", path="beats__rhythm_limits", column="rhythm_limits"),
    ),
    model=Epoch,
    patient="session__patient_id",
    session="session_id",
    order=("started_at", "id"),
)
EPOCH_METRICS = Table(
    "epoch_metrics",
    "One row for each metric of an epoch, computed from a recording or entered by hand; both can be present.",
    (
        pseudonym("epoch", "Pseudonym of the epoch", "epoch_id", _EPOCH_HASH),
        _metric_key(EpochMetric, "key"),
        *_numbers(EpochMetric, "origin", "mean", "sd", "beats", "standard_error", "unusual"),
        plain(AnalysisRun, "algorithm_version", path="run__algorithm_version", column="algorithm_version"),
    ),
    model=EpochMetric,
    patient="epoch__session__patient_id",
    session="epoch__session_id",
    order=("epoch__started_at", "epoch_id", "key", "origin"),
)
ACUTE_RESPONSES = Table(
    "acute_responses",
    "One row for each site and metric: change against baseline under drift, with 95 % intervals.",
    (
        _session(),
        _site(),
        _metric_key(AcuteResponse, "metric"),
        *_numbers(AcuteResponse, "rank", "change_percent", "low_percent", "high_percent", "probability_best"),
        *_numbers(AcuteResponse, "probability_better_than_baseline", "shrunken_change_percent"),
        *_numbers(AcuteResponse, "shrunken_low_percent", "shrunken_high_percent", "paired_change_percent"),
        *_numbers(AcuteResponse, "paired_low_percent", "paired_high_percent", "unpaired_change_percent"),
        *_numbers(AcuteResponse, "unpaired_low_percent", "unpaired_high_percent", "epochs", "beats"),
    ),
    model=AcuteResponse,
    patient="session__patient_id",
    session="session_id",
    order=("session__started_at", "metric", "rank"),
)
DECISIONS = Table(
    "decisions",
    "One row for each decision; the last decision of a session is valid.",
    (
        _session(),
        _site(label="Pseudonym of the site chosen; empty is none"),
        since_start(Decision, "decided_at", "decided_at_s", "Time since the session started"),
        _metric_key(Decision, "metric"),
        plain(Decision, "was_leading"),
    ),
    model=Decision,
    patient="session__patient_id",
    session="session_id",
    order=("decided_at", "id"),
)
