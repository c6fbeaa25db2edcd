"""Makers of test records, as plain functions. Everything goes through the services, as in the real thing.

Values are invented and deterministic: running numbers, one fixed day. A maker makes what it needs when nothing is
given: ``make_site()`` alone makes centre, physician, patient, session, tributary and site.

    centre -- member (make_user) -- patient -- assessment, consent, device, adverse event
                                       |
                                    session -- tributary -- site -- lead measurement
                                       |                      |
                                       +------ epoch ---------+-- typed metrics (enter)
"""

from __future__ import annotations

import datetime as dt
from itertools import count
from typing import Any

from django.http import HttpRequest
from django.test import Client

from procedures.models import Epoch, EpochMetric, LeadMeasurement, Session, Site, Tributary
from procedures.services.epochs import TypedMetric, enter_metrics, put_epoch
from procedures.services.sessions import describe_session, open_session
from procedures.services.sites import put_measurement, put_site, put_tributary
from registry.login.reauthentication import note_confirmation
from registry.models import (
    AdverseEvent,
    Assessment,
    Centre,
    Consent,
    Device,
    DeviceCheck,
    Member,
    Patient,
    PlannedVisit,
    Role,
    User,
)
from registry.services.course import put_adverse_event, put_assessment, put_consent, put_device, put_device_check
from registry.services.patients import register_patient
from registry.services.people import add_member, found_centre

DAY = dt.date(2024, 3, 2)
START = dt.datetime(2024, 3, 2, 9, 0, tzinfo=dt.UTC)
PASSWORD = "a-long-test-password"
_numbers = count(1)


def make_centre(code: str | None = None, name: str | None = None) -> Centre:
    """Found a centre."""
    number = next(_numbers)
    return found_centre(code=code or f"centre-{number}", name=name or f"Centre {number}")


def make_user(role: str | None = Role.PHYSICIAN, centre: Centre | None = None, *, password: str | None = None) -> User:
    """Make a user with a role in the centre; ``role=None`` makes one without membership.

    Without a password (hashing one is slow) log in with ``client.force_login``.
    """
    number = next(_numbers)
    user = User.objects.create_user(f"user{number}", password=password, full_name=f"Member {number}")
    if role is not None:
        add_member(by=None, centre=centre or make_centre(), user=user, role=role)
    return user


def confirm(client: Client) -> None:
    """Let somebody who is logged in have confirmed just now who they are, as the page of confirmation keeps it."""
    request = HttpRequest()
    request.session = client.session  # type: ignore[assignment] # the session of the client
    note_confirmation(request, User.objects.get(pk=client.session["_auth_user_id"]))
    request.session.save()


def writer_of(centre: Centre) -> User:
    """Return somebody who may write in the centre: its first physician, made when there is none."""
    member = Member.objects.filter(centre=centre, role=Role.PHYSICIAN).select_related("user").first()
    return member.user if member else make_user(Role.PHYSICIAN, centre)


def make_patient(centre: Centre | None = None, *, by: User | None = None, **values: Any) -> Patient:
    """Register a patient; names and hospital number are running unless given."""
    centre = centre or make_centre()
    number = next(_numbers)
    filled = {
        "family_name": f"Familyname{number}",
        "given_name": f"Givenname{number}",
        "birth_date": dt.date(1956, 5, 4),
        "local_identifier": f"H{number:06d}",
        "sex": "female",
        "aetiology": "ischaemic",
    } | values
    return register_patient(by=by or writer_of(centre), centre=centre, **filled)


def make_assessment(patient: Patient, *, by: User | None = None, **values: Any) -> Assessment:
    """Write an assessment, before the implant unless said otherwise."""
    filled = {"kind": "before", "assessed_on": DAY - dt.timedelta(days=20)} | values
    return put_assessment(by=by or writer_of(patient.centre), patient=patient, **filled)


def make_consent(patient: Patient, *, by: User | None = None, **values: Any) -> Consent:
    """Write a research consent."""
    filled = {"scope": "research", "given_on": DAY - dt.timedelta(days=10)} | values
    return put_consent(by=by or writer_of(patient.centre), patient=patient, **filled)


def make_device(patient: Patient, *, by: User | None = None, **values: Any) -> Device:
    """Write an implanted generator."""
    filled = {"kind": "generator", "model_name": "Demo generator A", "implanted_on": DAY} | values
    return put_device(by=by or writer_of(patient.centre), patient=patient, **filled)


def make_device_check(patient: Patient, *, by: User | None = None, **values: Any) -> DeviceCheck:
    """Write a device check half a year after the implant."""
    filled = {"checked_on": DAY + dt.timedelta(days=180)} | values
    return put_device_check(by=by or writer_of(patient.centre), patient=patient, **filled)


def make_planned_visit(centre: Centre, **values: Any) -> PlannedVisit:
    """Write one planned visit of a centre, as it is stored."""
    filled = {"label": "3 months", "after_days": 91, "early_days": 20, "late_days": 30} | values
    return PlannedVisit.objects.create(centre=centre, **filled)


def make_adverse_event(patient: Patient, *, by: User | None = None, **values: Any) -> AdverseEvent:
    """Write a related haematoma on the day after the implant."""
    filled = {
        "kind": "haematoma",
        "occurred_on": DAY + dt.timedelta(days=1),
        "severity": "minor",
        "relation": "related",
    } | values
    return put_adverse_event(by=by or writer_of(patient.centre), patient=patient, **filled)


def make_session(patient: Patient | None = None, *, by: User | None = None, **values: Any) -> Session:
    """Open a session; fields that describe its end (outcome, dose) may be given at once."""
    patient = patient or make_patient()
    return open_session(by=by or writer_of(patient.centre), patient=patient, **({"started_at": START} | values))


def end_session(session: Session, *, by: User | None = None, **values: Any) -> Session:
    """Record the outcome of the session."""
    filled = {"outcome": "lv_lead_implanted", "ended_at": session.started_at + dt.timedelta(hours=2)} | values
    return describe_session(by=by or writer_of(session.centre), session=session, **filled)


def make_tributary(session: Session | None = None, vein: str = "posterolateral", **values: Any) -> Tributary:
    """Write a tributary."""
    session = session or make_session()
    by = values.pop("by", None) or writer_of(session.centre)
    return put_tributary(by=by, session=session, vein=vein, **values)


def make_site(tributary: Tributary | None = None, label: str | None = None, **values: Any) -> Site:
    """Write a site that was reached."""
    tributary = tributary or make_tributary()
    by = values.pop("by", None) or writer_of(tributary.session.centre)
    label = label or f"site {next(_numbers)}"
    return put_site(by=by, session=tributary.session, tributary=tributary, label=label, **values)


def make_measurement(site: Site, **values: Any) -> LeadMeasurement:
    """Write ordinary lead measurements."""
    by = values.pop("by", None) or writer_of(site.session.centre)
    filled = {"measured_at": START, "capture_threshold_v": 1.0, "pulse_width_ms": 0.5} | values
    return put_measurement(by=by, site=site, **filled)


def make_epoch(
    session: Session | None = None, site: Site | None = None, *, start_s: float = 0, length_s: float = 30, **values: Any
) -> Epoch:
    """Write an epoch that starts some seconds after the session did; ``site=None`` is a baseline."""
    session = session or (site.session if site else make_session())
    by = values.pop("by", None) or writer_of(session.centre)
    started_at = session.started_at + dt.timedelta(seconds=start_s)
    ended_at = started_at + dt.timedelta(seconds=length_s)
    return put_epoch(by=by, session=session, site=site, started_at=started_at, ended_at=ended_at, **values)


def enter(epoch: Epoch, key: str = "dpdt_max_mmhg_per_s", mean: float = 900.0, **values: Any) -> list[EpochMetric]:
    """Type one metric for an epoch."""
    by = values.pop("by", None) or writer_of(epoch.session.centre)
    typed = TypedMetric(mean=mean, sd=values.pop("sd", 40.0), beats=values.pop("beats", 30))
    return enter_metrics(by=by, epoch=epoch, metrics={key: typed}, **values)
