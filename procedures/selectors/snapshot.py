"""The whole content of a session as plain values: what a signature covers, and what a report prints."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

from procedures.models import EcgMeasurement, EpochMetric, LeadMeasurement, Session, ThresholdTest
from registry.trail.record import state_of


def snapshot(session: Session) -> dict[str, Any]:
    """Return every record of the session. Derived numbers are included: they are what the signer saw."""

    def rows(records: QuerySet[Any]) -> list[dict[str, Any]]:
        return [state_of(record) for record in records]

    content = state_of(session)
    content.pop("signed_content", None)
    related: dict[str, QuerySet[Any]] = {
        "log_entries": session.log_entries.all(),
        "tributaries": session.tributaries.all(),
        "sites": session.sites.all(),
        "measurements": LeadMeasurement.objects.filter(site__session=session),
        "threshold_tests": ThresholdTest.objects.filter(site__session=session),
        "difficulties": session.difficulties.all(),
        "scanned_parts": session.scanned_parts.all(),
        "parts": session.parts.all(),
        "pacing_configurations": session.pacing_configurations.all(),
        "recordings": session.recordings.all(),
        "epochs": session.epochs.all(),
        "metrics": EpochMetric.objects.filter(epoch__session=session),
        "ecgs": EcgMeasurement.objects.filter(recording__session=session),
        "interval_readings": session.interval_readings.all(),
        "responses": session.responses.all(),
        "decisions": session.decisions.all(),
    }
    return {"session": content} | {name: rows(records) for name, records in related.items()}
