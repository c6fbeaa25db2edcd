"""One session, or one record of it, found for the person who asks. Another centre's is not found.

Each raises ``ObjectDoesNotExist`` where there is no such record in what it is given.
"""

from __future__ import annotations

from uuid import UUID

from django.db.models import Prefetch

from procedures.models import (
    Amendment,
    AnalysisRun,
    Calibration,
    Difficulty,
    Epoch,
    IntervalOrigin,
    IntervalReading,
    LeadMeasurement,
    LogEntry,
    Recording,
    Session,
    Site,
)
from procedures.selectors.sessions import sessions_for
from procedures.selectors.signals import reading_of
from registry.access import Right, allowed
from registry.models import Device, PatientIdentity, User

MOST_MEASUREMENTS = 500


def find_session(user: User, key: UUID) -> Session:
    """Return a session with its patient, centre and people."""
    return sessions_for(user).select_related("patient", "centre", "operator", "signed_by").get(pk=key)


def find_session_to_report(user: User, key: UUID) -> Session:
    """Return a session with what its report prints in order of time."""
    printed = sessions_for(user).select_related("patient", "centre", "operator", "signed_by")
    return printed.prefetch_related(
        Prefetch("difficulties", queryset=Difficulty.objects.select_related("site", "tributary")),
        Prefetch("log_entries", queryset=LogEntry.objects.select_related("author")),
        Prefetch("amendments", queryset=Amendment.objects.select_related("made_by")),
        "recordings__signals",
    ).get(pk=key)


def identity_shown(user: User, session: Session) -> PatientIdentity | None:
    """Return who the patient of a session is, to somebody who may see that; else none."""
    if not allowed(user, session.centre_id, Right.SEE_IDENTITY):
        return None
    return PatientIdentity.objects.filter(patient=session.patient_id).first()


def find_unread(session: Session, key: UUID) -> Recording | None:
    """Return a recording of the session whose file could not be read; none where there is no such."""
    found = session.recordings.filter(pk=key).first()
    return found if found and reading_of(found).state != "read" else None


def find_log_entry(session: Session, key: UUID) -> LogEntry:
    """Return an entry of the session's log."""
    return session.log_entries.get(pk=key)


def find_site(session: Session, key: UUID) -> Site:
    """Return a site of the session with its tributary."""
    return session.sites.select_related("tributary", "session").get(pk=key)


def find_measurement(site: Site, key: UUID) -> LeadMeasurement:
    """Return a measurement at the site."""
    return site.measurements.get(pk=key)


def measurements_at(site: Site) -> list[LeadMeasurement]:
    """Return what was measured at a site, as far as a table of it is drawn."""
    return list(site.measurements.all()[:MOST_MEASUREMENTS])


def find_epoch(session: Session, key: UUID) -> Epoch:
    """Return an epoch of the session with its site, pacing and metrics."""
    return session.epochs.select_related("site", "pacing", "recording").prefetch_related("metrics").get(pk=key)


def find_interval(session: Session, key: UUID) -> IntervalReading:
    """Return an interval of the session, typed or read with calipers."""
    return session.interval_readings.select_related("session", "site", "recording").get(pk=key)


def find_typed_interval(session: Session, key: UUID) -> IntervalReading:
    """Return an interval of the session that was typed."""
    return session.interval_readings.get(pk=key, origin=IntervalOrigin.TYPED)


def find_device(session: Session, key: UUID) -> Device:
    """Return a generator or lead of the session's patient."""
    return Device.objects.get(pk=key, patient=session.patient_id)


def find_recording(user: User, key: UUID) -> Recording:
    """Return a recording of a session the user sees."""
    return Recording.objects.filter(session__in=sessions_for(user)).select_related("session__patient").get(pk=key)


def find_marked_epoch(recording: Recording, key: UUID) -> Epoch:
    """Return an epoch marked in the recording."""
    return recording.epochs.select_related("site", "pacing").get(pk=key)


def find_calibration(recording: Recording, key: UUID) -> Calibration:
    """Return a calibration of the recording."""
    return recording.calibrations.select_related("recording__session").get(pk=key)


def find_run(recording: Recording, key: UUID) -> AnalysisRun:
    """Return an analysis of the recording."""
    return recording.runs.select_related("recording__session").get(pk=key)
