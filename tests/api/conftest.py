"""Two centres that know nothing of each other, and a client that speaks JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest
from django.test import Client

from procedures.models import Session, Site, Tributary
from registry.models import Centre, Patient, Role, User
from registry.models.base import new_key
from tests.factories import make_centre, make_patient, make_session, make_site, make_tributary, make_user


class Api:
    """A logged-in client of the API."""

    def __init__(self, user: User | None = None) -> None:
        self.client = Client()
        if user is not None:
            self.client.force_login(user)

    def get(self, path: str, **query: Any) -> Any:
        """Read."""
        return self.client.get(f"/api/v1/{path}", query)

    def put(self, path: str, body: Any, **headers: str) -> Any:
        """Write."""
        return self.client.put(f"/api/v1/{path}", body, content_type="application/json", headers=headers)

    def make(self, collection: str, body: dict[str, Any]) -> Any:
        """Write under a new key."""
        return self.put(f"{collection}/{new_key()}", body)


@dataclass(frozen=True)
class World:
    """One centre with a session, and the people in it."""

    centre: Centre
    physician: User
    patient: Patient
    session: Session
    tributary: Tributary
    site: Site


def make_world() -> World:
    """Make a centre with one session of one site."""
    centre = make_centre()
    physician = make_user(Role.PHYSICIAN, centre)
    patient = make_patient(centre, by=physician)
    session = make_session(patient, by=physician)
    tributary = make_tributary(session)
    return World(centre, physician, patient, session, tributary, make_site(tributary))


@pytest.fixture
def world(db: None) -> World:
    """Return the centre the client works in."""
    return make_world()


@pytest.fixture
def elsewhere(db: None) -> World:
    """Return a centre the client does not work in."""
    return make_world()


@pytest.fixture
def api(world: World) -> Api:
    """Return a physician's client."""
    return Api(world.physician)


@pytest.fixture
def bodies(world: World) -> dict[str, dict[str, Any]]:
    """Return for each collection that can be written a body that is accepted."""
    session, site = str(world.session.pk), str(world.site.pk)
    return {
        "sessions": {"patient": str(world.patient.pk), "started_at": "2026-03-03T09:00:00Z", "procedure": "upgrade"},
        "log-entries": {"session": session, "kind": "note", "occurred_at": "2026-03-02T09:05:00Z", "text": "Calm."},
        "tributaries": {"session": session, "vein": "lateral"},
        "sites": {"session": session, "tributary": str(world.tributary.pk), "label": "lateral mid", "aha_segment": 12},
        "lead-measurements": {
            "site": site,
            "measured_at": "2026-03-02T09:20:00Z",
            "capture_threshold_v": 1.1,
            "pulse_width_ms": 0.5,
        },
        "threshold-tests": {
            "site": site,
            "tested_at": "2026-03-02T09:18:00Z",
            "pulse_width_ms": 0.5,
            "steps": [{"amplitude_v": 1.5, "captured": True}, {"amplitude_v": 1.0, "captured": False}],
        },
        "difficulties": {"session": session, "site": site, "reason": "tortuosity", "noted_at": "2026-03-02T09:12:00Z"},
        "scanned-parts": {
            "session": session,
            "part": "lv_lead",
            "scanned_at": "2026-03-02T10:40:00Z",
            "scanned_text": "DEMO-0001",
        },
        "epochs": {
            "session": session,
            "site": site,
            "started_at": "2026-03-02T09:30:00Z",
            "ended_at": "2026-03-02T09:30:30Z",
            "pacing": {"chambers": "biv", "av_delay_ms": 120},
        },
        "decisions": {"session": session, "site": site, "decided_at": "2026-03-02T10:30:00Z", "reason": "Led clearly."},
        "assessments": {
            "patient": str(world.patient.pk),
            "kind": "before",
            "assessed_on": "2026-02-10",
            "lvesv_ml": 150,
        },
        "device-checks": {
            "patient": str(world.patient.pk),
            "checked_on": "2026-04-10",
            "biventricular_pacing_percent": 97.5,
        },
        "consents": {
            "patient": str(world.patient.pk),
            "scope": "registry",
            "given_on": "2026-02-01",
            "document_version": "sheet of January 2026",
        },
        "adverse-events": {
            "patient": str(world.patient.pk),
            "kind": "haematoma",
            "occurred_on": "2026-03-03",
            "severity": "minor",
        },
    }
