"""Recall lists and the survival of parts."""

import csv
import datetime as dt
import re
from html import unescape
from io import StringIO

import pytest
from django.urls import reverse

from registry.models import Role
from registry.selectors.devices import lifetimes, recall
from registry.services.patients import record_death
from tests import factories as make

pytestmark = pytest.mark.django_db
RECALL, RECALL_CSV = reverse("registry:recall"), reverse("registry:recall_csv")
LATER = dt.date(2025, 3, 2)


@pytest.fixture
def centre(db):
    return make.make_centre()


@pytest.fixture
def physician(client, centre):
    user = make.make_user(Role.PHYSICIAN, centre)
    client.force_login(user)
    return user


def carrier(centre, model="Invented 4", **values):
    patient = make.make_patient(centre)
    make.make_device(patient, model_name=model, **values)
    return patient


def test_who_carries_a_model_is_one_query(physician, centre, django_assert_num_queries):
    serving = carrier(centre, serial_number="S-1")
    capped = carrier(centre, explanted_on=LATER, explant_reason="failure", left_in_place=True)
    carrier(centre, explanted_on=LATER, explant_reason="battery")
    carrier(centre, model="Invented 5")
    carrier(make.make_centre())
    dead = carrier(centre)
    record_death(by=physician, patient=dead, died_on=LATER)
    for _ in range(10):
        carrier(centre)

    with django_assert_num_queries(1):
        found = [
            (one.patient.code, one.patient.identity.family_name, one.patient.centre.name, one.serial_number)
            for one in recall(physician, " invented 4 ")
        ]

    assert len(found) == 12
    assert {serving.code, capped.code} <= {row[0] for row in found}
    assert dead.code not in {row[0] for row in found}


def test_the_page_lists_models_and_then_who_carries_one(client, physician, centre):
    patient = carrier(centre, serial_number="S-77")
    carrier(centre)

    models = client.get(RECALL).content.decode()
    assert "Invented 4" in models
    assert '<td class="number">2</td>' in models

    html = client.get(RECALL, {"model": "Invented 4"}).content.decode()
    assert patient.code in html
    assert "S-77" in html
    assert "No patients" in client.get(RECALL, {"model": "Unheard of"}).content.decode()


def test_the_table_holds_what_is_needed_to_write_to_the_patients(client, physician, centre):
    patient = carrier(centre, serial_number="S-77", manufacturer="=1+1")

    answer = client.get(RECALL_CSV, {"model": "Invented 4"})
    rows = list(csv.DictReader(StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))

    assert answer["Content-Disposition"].startswith('attachment; filename="recall-')
    assert [(row["patient"], row["serial_number"], row["implanted_on"]) for row in rows] == [
        (patient.code, "S-77", "2024-03-02")
    ]
    assert rows[0]["manufacturer"] == "'=1+1", "a spreadsheet must not run it"


def test_the_next_page_is_of_the_same_model(client, physician, centre, monkeypatch):
    monkeypatch.setattr("registry.views.devices.PAGE_SIZE", 1)
    carrier(centre, model="Alpha ")
    meant = sorted(carrier(centre, model="Alpha+ & B").code for _ in range(2))

    first = client.get(RECALL, {"model": "Alpha+ & B"}).content.decode()
    following = unescape(re.search(r'rel="next" href="([^"]+)"', first)[1])
    second = client.get(RECALL + following).content.decode()

    assert [code in first for code in meant] == [True, False]
    assert [code in second for code in meant] == [False, True]
    assert "Recall list: Alpha+ &amp; B" in second


def test_what_ends_the_life_of_a_part(centre):
    lead = make.make_user(Role.CLINICAL_LEAD, centre)
    day = make.DAY + dt.timedelta(days=100)
    carrier(centre, explanted_on=day, explant_reason="battery")
    carrier(centre, explanted_on=day, explant_reason="upgrade")
    carrier(centre)
    record_death(by=lead, patient=carrier(centre), died_on=make.DAY + dt.timedelta(days=50))
    carrier(centre, model="L", kind="lead", chamber="lv", explanted_on=day, explant_reason="dislodgement")
    carrier(centre, model="L", kind="lead", chamber="lv", explanted_on=day, explant_reason="failure")

    found = lifetimes(lead, make.DAY + dt.timedelta(days=200))

    told = {key: sorted((part.days, part.failed) for part in parts) for key, parts in found.items()}
    assert told == {
        ("Generators", "Invented 4"): [(50, False), (100, False), (100, True), (200, False)],
        ("Leads, left ventricle", "L"): [(100, False), (100, True)],
    }


def test_the_survival_page_shows_share_interval_and_parts_at_risk(client, centre):
    client.force_login(make.make_user(Role.RESEARCHER, centre))
    old = dt.date(2015, 1, 1)
    for number in range(6):
        carrier(centre, implanted_on=old, explanted_on=dt.date(2015, 7, 1 + number), explant_reason="battery")
        carrier(centre, implanted_on=old)

    html = " ".join(client.get(reverse("registry:survival")).content.decode().split())

    # 6 of 12 failed within the first year: 50.0 %, log-log Greenwood 20.8 to 73.6 %.
    assert "50.0 %" in html
    assert "20.8 to 73.6 %<br>6 at risk" in html
    assert "does not replace" in html or "do not replace" in html


def test_the_survival_figure_steps_down_at_each_failure(client, centre):
    client.force_login(make.make_user(Role.RESEARCHER, centre))
    old = dt.date(2015, 1, 1)
    for days, reason in ((365, "battery"), (730, "battery"), (1000, "upgrade")):
        carrier(centre, implanted_on=old, explanted_on=old + dt.timedelta(days=days), explant_reason=reason)
    carrier(centre, model="L", kind="lead", chamber="lv", implanted_on=old, explanted_on=old, explant_reason="failure")

    drawn = client.get(reverse("registry:survival_figure")).json()

    generators, leads = drawn["data"]
    assert generators["name"] == "Generators"
    # Of three, one failed after a year, one of the other two after two, the last was taken out for another reason.
    assert generators["y"] == pytest.approx([100, 66.67, 33.33, 33.33], abs=0.01)
    assert generators["x"] == pytest.approx([0, 0.999, 1.999, 2.738], abs=0.001)
    assert leads["y"][-1] == 0
