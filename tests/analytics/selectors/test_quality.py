"""Completeness and plausibility of a centre's records, and the lists of what is to be done."""

from __future__ import annotations

import datetime as dt

import pytest

from analytics.figures.completeness import completeness_figure
from analytics.selectors import todo
from analytics.selectors.quality import field_quality
from registry.described.kind import queryable
from registry.services.patients import record_death
from tests import factories as make

pytestmark = pytest.mark.django_db
DAY = make.DAY


@pytest.fixture
def patient():
    return make.make_patient(sex="unknown")


def lists(centre) -> dict[str, int]:
    return {item.key: count for item, count in todo.counts(centre) if count}


def quality(centre) -> dict[tuple[str, str], tuple[int, int, int | None]]:
    return {(one.part or one.subject, one.field): (one.total, one.filled, one.unusual) for one in field_quality(centre)}


def test_each_field_apart_before_and_after_the_implant(patient):
    make.make_patient(patient.centre)
    make.make_assessment(patient, lvef_percent=30.0, rhythm="sinus", qrs_duration_ms=250.0, confirmed=True)
    make.make_assessment(patient, assessed_on=DAY)
    make.make_assessment(patient, kind="follow_up", assessed_on=DAY, lvef_percent=40.0)
    make.make_assessment(make.make_patient(), lvef_percent=30.0)

    found = quality(patient.centre)
    assert found["Patient", "sex"] == (2, 1, None), "not known counts as missing"
    assert found["Before the implant", "lvef_percent"] == (2, 1, 0)
    assert found["Before the implant", "qrs_duration_ms"] == (2, 1, 1)
    assert found["Before the implant", "rhythm"] == (2, 1, None)
    assert found["Follow-up", "lvef_percent"] == (1, 1, 0)
    assert ("Patient", "died_on") not in found, "an empty day of death is an answer"


def test_an_empty_centre_has_nothing_to_judge():
    centre = make.make_centre()
    assert field_quality(centre) == []
    assert lists(centre) == {}
    assert list(completeness_figure([])["data"]) == []


def test_the_figure_shows_the_least_complete_first(patient):
    make.make_assessment(patient, lvef_percent=30.0)
    figure = completeness_figure(field_quality(patient.centre))
    (bars,) = figure["data"]
    assert list(bars["x"]) == sorted(bars["x"])
    assert "LVEF · Before the implant" not in bars["y"], "complete fields are left out"
    assert "Sex · Patient" in bars["y"]


@pytest.mark.parametrize("many", [1, 30])
def test_a_fixed_number_of_queries(patient, many, django_assert_num_queries):
    for _ in range(many):
        make.make_assessment(make.make_patient(patient.centre))
    with django_assert_num_queries(len(queryable())):
        field_quality(patient.centre)
    with django_assert_num_queries(len(todo.items())):
        todo.counts(patient.centre)


def test_each_list_holds_what_it_says(patient):
    centre = patient.centre
    assert lists(centre) == {"no-baseline": 1}
    make.make_assessment(patient, lvef_percent=30.0, lvedv_ml=200.0, lvesv_ml=140.0)
    assert lists(centre) == {}

    session = make.make_session(patient)
    assert lists(centre) == {"session-outcome": 1, "session-unsigned": 1}
    make.end_session(session, ended_at=session.started_at + dt.timedelta(hours=13))
    assert lists(centre) == {"session-unsigned": 1, "no-late-volume": 1, "session-length": 1}
    follow_up = DAY + dt.timedelta(days=180)
    make.make_assessment(patient, kind="follow_up", assessed_on=follow_up, lvesv_ml=100.0)
    assert lists(centre) == {"session-unsigned": 1, "session-length": 1}


def test_what_cannot_be(patient):
    make.make_assessment(patient, lvef_percent=60.0, lvedv_ml=200.0, lvesv_ml=140.0)
    make.make_assessment(patient, kind="follow_up", assessed_on=DAY)
    make.make_adverse_event(patient, relation="unknown")
    record_death(by=make.writer_of(patient.centre), patient=patient, died_on=DAY - dt.timedelta(days=1))

    assert lists(patient.centre) == {
        "volumes-ef": 1,
        "follow-up-before-implant": 1,
        "assessed-after-death": 1,
        "event-relation": 1,
    }


def test_flagged_values_of_assessments_and_lead_measurements_are_listed_in_words(patient):
    record = make.make_assessment(patient, qrs_duration_ms=250.0, confirmed=True)
    assert lists(patient.centre) == {"unusual-assessment": 1}
    assert todo.unusual_values(queryable()["registry.assessment"], record) == [
        "QRS duration 250 ms (usual: 70 to 240, confirmed when entered)"
    ]
    site = make.make_site(make.make_tributary(make.make_session(patient)))
    make.make_measurement(site, capture_threshold_v=8.0, confirmed=True)
    assert lists(patient.centre)["unusual-leadmeasurement"] == 1
