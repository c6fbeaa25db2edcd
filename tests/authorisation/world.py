"""Two centres with somebody in every role, and in the first one everything an address can name, signed and unsigned."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.db import transaction
from django.test import Client

from procedures.models import AcuteResponse, AnalysisRun, ComparisonRun, Session
from procedures.services.analysis import start_analysis
from procedures.services.calibrations import put_calibration
from procedures.services.decisions import record_decision
from procedures.services.difficulties import note_difficulty
from procedures.services.ecgs import put_reading
from procedures.services.recordings import mark_epoch, store_recording
from procedures.services.responses import refresh_responses
from procedures.services.scanning import put_scanned_part
from procedures.services.sessions import log, sign_session
from procedures.services.thresholds import put_threshold_test
from registry.models import Centre, Patient, Role, RunState, User
from registry.services.people import end_membership
from tests import factories as make
from tests.ecgs import stored_ecg
from tests.signals import Uploaded, pressure_volume_csv

# Words that stand in the first centre's records only; none may reach anybody of the second.
FAMILY_NAME, HOSPITAL_NUMBER, SESSION_CODE = "Onlyourspatient", "OURS-000815", "OURS-S-1"
SECRETS = (FAMILY_NAME, HOSPITAL_NUMBER, SESSION_CODE)


@dataclass
class Place:
    """A session of the first centre and the record behind each part of an address."""

    session: Session
    records: dict[str, Any] = field(default_factory=dict)


@dataclass
class World:
    """Who looks, and what there is to look at."""

    centre: Centre
    here: dict[str, Visitor]
    elsewhere: dict[str, Visitor]
    anonymous: Visitor
    patient: Patient
    places: dict[str, Place]


class Visitor(Client):
    """A client whose log-in survives whatever a visited page does to it."""

    def __init__(self, user: User | None = None) -> None:
        super().__init__(raise_request_exception=False)
        if user is not None:
            self.force_login(user)
        self.kept = {name: morsel.value for name, morsel in self.cookies.items()}

    def visit(self, method: str, address: str, body: dict[str, Any] | None = None, **options: Any) -> Any:
        """Send one request; everything it did to the database and to the log-in is undone."""
        self.cookies.clear()
        self.cookies.load(self.kept)
        point = transaction.savepoint()
        try:
            return getattr(self, method)(address, **({} if body is None else {"data": body}), **options)
        finally:
            transaction.savepoint_rollback(point)


def people_of(centre: Centre) -> dict[str, Visitor]:
    """Return a client for each role of a centre, and for somebody whose role as a physician has ended."""
    people = {role: make.make_user(role, centre, password=make.PASSWORD) for role in Role.values}
    past = make.make_user(Role.PHYSICIAN, centre, password=make.PASSWORD)
    by = people[Role.ADMINISTRATOR]
    end_membership(by=by, member=past.memberships.get(), ended_on=dt.datetime.now(dt.UTC).date())
    return {role: Visitor(user) for role, user in people.items()} | {"ended": Visitor(past)}


def _place(by: User, patient: Patient, code: str) -> Place:
    session = make.make_session(patient, by=by, code=code)
    tributary = make.make_tributary(session, by=by)
    site = make.make_site(tributary, f"PL {code}", by=by)
    for start_s in (0, 120):
        make.enter(make.make_epoch(session, None, start_s=start_s, by=by), by=by)
    epoch = make.make_epoch(session, site, start_s=60, by=by)
    (metric,) = make.enter(epoch, mean=950.0, by=by)
    refresh_responses(session.pk)
    # Nothing of this world is committed, so no job ends what was asked for; a signature would work it out once more.
    ComparisonRun.objects.filter(session=session).update(state=RunState.DONE)
    steps = [{"amplitude_v": 1.5, "captured": True}, {"amplitude_v": 1.0, "captured": False}]
    recording = store_recording(
        by=by,
        session=session,
        upload=Uploaded(pressure_volume_csv(20)),
        original_name=f"{code}.csv",
        started_at=session.started_at,
    )
    marked = mark_epoch(by=by, recording=recording, site=None, start_s=2, end_s=18)
    calibration = put_calibration(by=by, recording=recording, valid_from_s=0.0, alpha=0.8)
    start_analysis(by=by, recording=recording)
    records = {
        "session": session,
        "tributary": tributary,
        "site": site,
        "measurement": make.make_measurement(site, by=by),
        "entry": log(by=by, session=session, kind="note", text="Calm.", occurred_at=make.START),
        "epoch": epoch,
        "metric": metric,
        "recording": recording,
        "marked": marked,
        "calibration": calibration,
        "run": AnalysisRun.objects.filter(recording=recording).latest("id"),
        "ecg": stored_ecg(session, site),
        "interval": put_reading(by=by, session=session, site=site, kind="qlv", duration_ms=120.0),
        "response": AcuteResponse.objects.filter(session=session).first(),
        "threshold_test": put_threshold_test(by=by, site=site, pulse_width_ms=0.5, steps=steps, tested_at=make.START),
        "difficulty": note_difficulty(by=by, session=session, reason="tortuosity", noted_at=make.START),
        "scanned_part": put_scanned_part(
            by=by, session=session, part="lv_lead", scanned_text="DEMO-0001", scanned_at=make.START
        ),
        "decision": record_decision(by=by, session=session, site=site, reason="Led clearly."),
    }
    return Place(session, records)


def make_world() -> World:
    """Make both centres."""
    ours, theirs = make.make_centre("ours", "Ours"), make.make_centre("theirs", "Theirs")
    by = make.make_user(Role.PHYSICIAN, ours)
    patient = make.make_patient(ours, by=by, family_name=FAMILY_NAME, local_identifier=HOSPITAL_NUMBER, code="OURS-P-1")
    about = {
        "patient": patient,
        "assessments": make.make_assessment(patient, by=by),
        "adverse-events": make.make_adverse_event(patient, by=by),
        "consents": make.make_consent(patient, by=by),
        "devices": (device := make.make_device(patient, by=by)),
        "device": device,
        "device-checks": make.make_device_check(patient, by=by),
        "member": make.make_user(Role.LAB_STAFF, ours).memberships.get(),
        "login_session": UserSession.objects.create(user=by, ip="127.0.0.1", session_key="none", user_agent=""),
        "passkey": Authenticator.objects.create(user=by, type="webauthn", data={}),
    }
    places = {"unsigned": _place(by, patient, SESSION_CODE), "signed": _place(by, patient, f"{SESSION_CODE}-signed")}
    signed = places["signed"].session
    make.end_session(signed, by=by)
    sign_session(by=by, session=signed)
    for place in places.values():
        place.records |= about
        place.session.refresh_from_db()
    return World(
        centre=ours,
        here=people_of(ours),
        elsewhere=people_of(theirs) | {"nobody": Visitor(make.make_user(None, password=make.PASSWORD))},
        anonymous=Visitor(),
        patient=patient,
        places=places,
    )
