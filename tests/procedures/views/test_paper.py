"""The paper sheet, and what is typed from it afterwards: at the time on the paper, and marked."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from procedures.models import LeadMeasurement
from registry.models import Change, Role, new_key
from tests import factories as make
from tests.revealing import revealed

pytestmark = pytest.mark.django_db


def logged_in(role: str, centre: object) -> Client:
    client = Client()
    client.force_login(make.make_user(role, centre))  # type: ignore[arg-type] # a centre
    return client


def test_sheet_of_a_session_names_its_patient_and_a_blank_one_nobody() -> None:
    session = make.make_session()
    client = logged_in(Role.LAB_STAFF, session.centre)
    text = client.get(reverse("procedures:paper", args=[session.pk])).content.decode()
    assert "Familyname" in text
    assert session.code in text
    blank = client.get(reverse("procedures:paper_blank")).content.decode()
    assert "Familyname" not in blank
    for column in ("Threshold (V)", "Phrenic (V)", "QRS (ms)", "dP/dt max (mmHg/s)"):
        assert column in text
        assert column in blank
    assert text.count("<td></td>") == 9 * 11 + 14 * 7 + 12 * 4


def test_measurement_typed_from_paper_keeps_its_time_and_says_where_it_was_first() -> None:
    site = make.make_site()
    session = site.session
    client = logged_in(Role.LAB_STAFF, session.centre)
    at = session.started_at + dt.timedelta(minutes=17)
    address = reverse("procedures:new_measurement", args=[session.pk, site.pk])
    sent = {
        "key": new_key(),
        "measured_at": at.strftime("%Y-%m-%dT%H:%M:%S"),
        "capture_threshold_v": "1.1",
        "pulse_width_ms": "0.5",
    }
    assert client.post(address, sent | {"from_paper": "on"}).status_code == 302
    stored = LeadMeasurement.objects.get()
    assert stored.measured_at == at
    assert revealed(Change.objects.get(record_id=stored.pk))["reason"] == "Typed from the paper sheet."
    assert client.post(address, sent | {"key": new_key()}).status_code == 302
    other = LeadMeasurement.objects.exclude(pk=stored.pk).get()
    assert revealed(Change.objects.get(record_id=other.pk))["reason"] == ""
