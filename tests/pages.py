"""Every page of the site, found in the URL conf and filled with the records of one made-up world.

A new address is looked at without being named here, as long as its parameters are; one that cannot be reached fails the
test that uses this, so that nobody forgets it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from procedures.models import Session
from procedures.services.analysis import start_analysis
from procedures.services.calibrations import put_calibration
from procedures.services.decisions import record_decision
from procedures.services.difficulties import note_difficulty
from procedures.services.ecgs import put_reading
from procedures.services.recordings import mark_epoch, store_recording
from procedures.services.sessions import log
from procedures.services.thresholds import put_threshold_test
from registry.models import Member, Role, new_key
from registry.services.imports import begin_import
from registry.services.queries import raise_query
from tests import factories as make
from tests.ecgs import stored_ecg
from tests.signals import Uploaded, conductance_csv, pressure_volume_csv

_PARAMETER = re.compile(r"<(?:\w+:)?(\w+)>")
# Addresses that show a person nothing in this world, each with the reason.
UNREACHABLE = {
    "join": "needs the one-time link of a new member",
    "openid_connect_login": "needs a provider to log in with",
    "openid_connect_callback": "needs a provider to log in with",
    "mfa_authenticate": "stands between password and code of a log-in under way",
    "mfa_reauthenticate": "needs an authenticator app",
    "mfa_reauthenticate_webauthn": "needs a passkey",
    "mfa_edit_webauthn": "needs a passkey",
    "mfa_remove_webauthn": "needs a passkey",
    "mfa_deactivate_totp": "needs an authenticator app",
    "mfa_view_recovery_codes": "needs an authenticator app",
    "mfa_generate_recovery_codes": "needs an authenticator app",
    "mfa_download_recovery_codes": "needs an authenticator app",
    "registry:undo_merge": "needs two records that were merged",
    "imports:questions": "needs a table whose columns were decided",
    "procedures:upload": "is asked by a script that sends a file in parts, and answers without a page",
    "procedures:found_epochs": "shows what was found in a file with marked epochs",
}


@dataclass(frozen=True)
class World:
    """Records by the name of the parameter that asks for them, or by the word of the path before it."""

    values: dict[str, Any]
    clients: dict[str, Client]


def routes() -> Iterator[tuple[str, str]]:
    """Return name and pattern of every address but those of the API."""

    def walk(patterns: list[Any], before: str, space: str) -> Iterator[tuple[str, str]]:
        for one in patterns:
            if isinstance(one, URLResolver):
                inner = f"{space}{one.namespace}:" if one.namespace else space
                yield from walk(one.url_patterns, before + str(one.pattern), inner)
            elif isinstance(one, URLPattern):
                yield f"{space}{one.name}", before + str(one.pattern)

    for name, pattern in walk(get_resolver().url_patterns, "/", ""):
        if not pattern.startswith("/api/"):
            yield name, pattern


def address(pattern: str, values: dict[str, Any]) -> str:
    """Fill the parameters of a pattern.

    Raises
    ------
    KeyError
        When this world has nothing for a parameter.
    """

    def value(found: re.Match[str]) -> str:
        before = pattern[: found.start()].rstrip("/").rsplit("/", 1)[-1]
        name = found[1]
        if f"{before}/{name}" in values:
            return str(values[f"{before}/{name}"])
        return str(values[name])

    return _PARAMETER.sub(value, pattern)


def make_world() -> World:
    """Make one centre with everything in it, and somebody of each kind who is logged in and has confirmed it."""
    centre = make.make_centre("north", "North")
    people = {
        role: make.make_user(role, centre, password=make.PASSWORD) for role in (Role.ADMINISTRATOR, Role.CLINICAL_LEAD)
    }
    lead = people[Role.CLINICAL_LEAD]
    patient = make.make_patient(centre, by=lead)
    session = make.make_session(patient, by=lead)
    values = {"patient_key": patient.pk, "patients/key": patient.pk, "session": session.pk, "code": centre.code}
    values |= _of_patient(patient, lead) | _of_session(session, lead)
    twin = make.make_patient(centre, by=lead, family_name="Twin", given_name="One")
    values |= {"first": patient.pk, "second": twin.pk, "<str:record_type>/key": values["assessments/key"]}
    values["device"] = make.make_device(patient, implanted_on="2019-01-01").pk
    values["members/key"] = Member.objects.get(user=lead).pk
    values["invitations/key"] = values["invitations/pk"] = new_key()
    values |= {"indicator": "complication", "name": "sites", "pk": 1, "uidb64": "x", "token": "x"}
    return World(values, {"nobody": Client()} | {str(role): _logged_in(user) for role, user in people.items()})


def _of_patient(patient: Any, lead: Any) -> dict[str, Any]:
    assessment = make.make_assessment(patient)
    asked = {"record_type": "registry.assessment", "record": assessment, "field": "lvef_percent"}
    table = b"Hospital number,Family name,Given name,Birth date,Sex\nH-1,One,Ann,1950-01-02,female\n"
    upload = {"kind": "patients", "upload": Uploaded(table), "original_name": "patients.csv"}
    return {
        "record_type": "registry.assessment",
        "record_key": assessment.pk,
        "queries/key": raise_query(by=lead, text="From which echo?", **asked).pk,
        "imports/key": begin_import(by=lead, centre=patient.centre, **upload).pk,
        "item": "unusual-assessment",
        "assessments/key": assessment.pk,
        "adverse-events/key": make.make_adverse_event(patient).pk,
        "consents/key": make.make_consent(patient).pk,
        "devices/key": make.make_device(patient).pk,
        "device-checks/key": make.make_device_check(patient).pk,
    }


def _of_session(session: Session, by: Any) -> dict[str, Any]:
    tributary = make.make_tributary(session)
    site = make.make_site(tributary, "PL mid", aha_segment=11)
    make.make_site(tributary, "PL far", reached=False, not_reached_reason="tortuosity")
    measurement = make.make_measurement(site, impedance_ohm=700, phrenic_threshold_v=1.5)
    for number in range(6):
        epoch = make.enter(make.make_epoch(session, site if number % 2 else None, start_s=60 * number))[0].epoch
    entry = log(by=by, session=session, kind="venogram", occurred_at=make.START)
    note_difficulty(by=by, session=session, reason="tortuosity", tributary=tributary)
    steps = [{"amplitude_v": 1.5, "captured": True}, {"amplitude_v": 1.0, "captured": False}]
    put_threshold_test(by=by, site=site, pulse_width_ms=0.5, steps=steps)
    record_decision(by=by, session=session, site=site, reason="Stable, safe threshold")
    whole = {"by": by, "session": session, "started_at": session.started_at}
    recording = store_recording(upload=Uploaded(pressure_volume_csv(60)), original_name="day.csv", **whole)
    mark_epoch(by=by, recording=recording, site=None, start_s=2, end_s=28)
    run = start_analysis(by=by, recording=recording)
    catheter = store_recording(upload=Uploaded(conductance_csv(40)), original_name="catheter.csv", **whole)
    constants = {"electrode_spacing_mm": 10.0, "blood_resistivity_ohm_cm": 150.0}
    calibration = put_calibration(by=by, recording=catheter, alpha=0.8, parallel_volume_ml=60.0, **constants)
    marked = recording.epochs.get()
    ecg = stored_ecg(session, site)
    interval = put_reading(by=by, session=session, site=site, kind="latency", duration_ms=40.0)
    return {
        "site": site.pk,
        "measurement": measurement.pk,
        "epoch": epoch.pk,
        "entry": entry.pk,
        "recording": recording.pk,
        "epochs/epoch": marked.pk,
        "calibrations/calibration": calibration.pk,
        "calibration's recording": catheter.pk,
        "run": run.pk,
        "ecg": ecg.pk,
        "interval": interval.pk,
        "typed epoch": epoch.pk,
    }


def _logged_in(user: Any) -> Client:
    client = Client()
    client.force_login(user)
    client.post(reverse("account_reauthenticate"), {"password": make.PASSWORD})
    return client


def cookie_of(client: Client) -> str | None:
    """Return the cookie of a log-in, if there is one."""
    cookie = client.cookies.get(settings.SESSION_COOKIE_NAME)
    return cookie.value if cookie else None
