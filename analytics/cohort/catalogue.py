"""All files of an export, and every field that never leaves, as the models declare them beside their fields."""

from __future__ import annotations

from collections.abc import Iterator

from django.apps import apps

from analytics.cohort import patient_tables as about_patients
from analytics.cohort import session_tables as about_sessions
from analytics.cohort.columns import Column
from analytics.cohort.selection import Cohort
from analytics.cohort.tables import Cells, Table
from procedures.metrics import METRICS, Direction
from registry.models.declared import Way, handling_of


def _metric_rows(_: Cohort) -> Iterator[Cells]:
    for metric in METRICS:
        yield [metric.key, metric.label, metric.ucum, Direction(metric.direction).name.lower()]


def _listed(name: str, label: str, allowed: str = "") -> Column:
    return Column(name, label, "string", "the project's catalogue of metrics", (), lambda row, _: None, allowed=allowed)


METRIC_LIST = Table(
    "metrics",
    "One row for each metric: the meaning of the key in the other files.",
    (
        _listed("metric", "Key"),
        _listed("label", "Label"),
        _listed("unit", "Unit, UCUM"),
        _listed("direction", "Better direction", "|".join(one.name.lower() for one in Direction)),
    ),
    read=_metric_rows,
)

TABLES: tuple[Table, ...] = (
    about_patients.PATIENTS,
    about_sessions.SESSIONS,
    about_sessions.SITES,
    about_sessions.LEAD_MEASUREMENTS,
    about_sessions.ECGS,
    about_sessions.INTERVALS,
    about_sessions.EPOCHS,
    about_sessions.EPOCH_METRICS,
    about_sessions.ACUTE_RESPONSES,
    about_sessions.DECISIONS,
    about_patients.LVESV_RESPONSES,
    about_patients.RESPONSES,
    *(table for model in about_patients.owned_by_patients() if (table := about_patients.by_declaration(model))),
    METRIC_LIST,
)


def _withheld() -> dict[str, dict[str, str]]:
    """Return every field of ours that stays, with the reason its model declares."""
    found: dict[str, dict[str, str]] = {}
    for app in ("registry", "procedures", "analytics"):
        for model in apps.get_app_config(app).get_models():
            for name, stated in handling_of(model).items():
                if stated.way is Way.WITHHELD:
                    found.setdefault(model._meta.label_lower, {})[name] = stated.reason
    return found


WITHHELD = _withheld()
