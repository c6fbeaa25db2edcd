from __future__ import annotations

import datetime as dt
import re

import pytest
from django.test import Client
from django.urls import reverse

from procedures.models import Session
from procedures.services.decisions import record_decision
from procedures.services.sessions import describe_session, log, sign_session
from registry.models import Role
from tests.factories import (
    DAY,
    end_session,
    make_adverse_event,
    make_assessment,
    make_session,
    make_site,
    make_tributary,
    make_user,
    writer_of,
)
from tests.procedures.comparing import KEY, recorded_session, typed_session

pytestmark = pytest.mark.django_db


def _report(session: Session) -> str:
    client = Client()
    client.force_login(make_user(Role.PHYSICIAN, session.centre))
    answer = client.get(reverse("procedures:report", args=[session.pk]))
    assert answer.status_code == 200
    return " ".join(answer.content.decode().replace("\N{NO-BREAK SPACE}", " ").split())


def test_report_ends_every_answer_with_one_stop() -> None:
    site = make_site(make_tributary(make_session()))
    assert "<strong>No metric has been measured yet, so sites cannot be compared.</strong>" in _report(site.session)
    measured = recorded_session({"PL-mid": 12.0, "LAT-mid": 4.0})
    assert re.search(r"<strong>PL-mid leads: stroke work \S+ % \(decided\)\.</strong>", _report(measured))


def test_report_tells_the_whole_session() -> None:
    session = recorded_session({"PL-mid": 12.0, "LAT-mid": 4.0})
    by = writer_of(session.centre)
    make_assessment(session.patient, nyha_class=3, qrs_duration_ms=182.0, qrs_morphology="rv_paced", lvef_percent=26.0)
    make_assessment(session.patient, assessed_on=DAY + dt.timedelta(days=3), nyha_class=1)  # after: not the indication
    make_site(make_tributary(session, "posterior"), "POST", reached=False, not_reached_reason="stenosis")
    log(by=by, session=session, kind="venogram", text="Four tributaries.", occurred_at=session.started_at)
    site = session.sites.get(label="PL-mid")
    record_decision(by=by, session=session, site=site, reason="Best.", metric="stroke_work_mmhg_ml")
    make_adverse_event(session.patient, description="Small.")
    make_adverse_event(session.patient, kind="infection", occurred_on=DAY + dt.timedelta(days=31))
    report = _report(session)
    for said in (
        "Draft, not signed",
        "NYHA III", "QRS 182 ms, right-ventricular paced", "LVEF 26 %", "LVESV not measured",
        "PL-mid leads: stroke work +12.",
        "Not reached: stenosis.",
        "Venogram: Four tributaries.",
        "Chosen by the physician: PL-mid, the leading site by stroke work at that time.",
        "Haematoma, minor, related to the procedure. Small.",
        "signal analysis 1.0.0, acute-response 2",
        "computed from recordings",
        "does not replace the judgement",
        session.patient.identity.family_name,
    ):  # fmt: skip
        assert said in report, said
    assert "Infection" not in report  # outside the 30 days
    assert "NYHA 1" not in report


def test_report_of_a_signed_and_amended_session_says_both() -> None:
    session = typed_session({"A": 3.0, "B": 9.0})
    by = writer_of(session.centre)
    end_session(session)
    sign_session(by=by, session=session)
    assert "Signed by" in _report(session)
    describe_session(by=by, session=session, reason="Contrast was misread.", contrast_ml=55.0)
    report = _report(session)
    assert "amended since" in report
    assert "Contrast was misread." in report


def test_report_compares_two_metrics_when_two_were_measured() -> None:
    session = recorded_session({"A": 12.0, "B": 4.0})
    from procedures.services.responses import refresh_responses
    from tests.factories import enter

    for epoch in session.epochs.select_related("site"):
        enter(epoch, KEY, 800.0 if epoch.site is None else 850.0)
    refresh_responses(session.pk)
    report = _report(session)
    assert "Stroke work</th>" in report
    assert "dP/dt max</th>" in report


def test_report_of_an_empty_session_says_what_is_missing() -> None:
    report = _report(make_session())
    for said in (
        "no assessment recorded",
        "No sites recorded.",
        "No log entries.",
        "None recorded within 30 days",
    ):
        assert said in report
