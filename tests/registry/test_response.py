"""The response by LVESV at the edges of its rule."""

import datetime as dt

import pytest

from registry.response import VolumeState, lvesv_response
from registry.response.judgement import _signed
from registry.selectors.patients import response_by_lvesv
from tests import factories as make

IMPLANT = dt.date(2024, 3, 2)


def at(days, lvesv_ml):
    return VolumeState(IMPLANT + dt.timedelta(days=days), lvesv_ml)


@pytest.mark.parametrize(
    ("before", "after", "verdict", "change"),
    [
        # Fall of 15 % or more (Wouters et al.; Zanon et al. 2016: >= 15 %), worked values of the reference list,
        # section 4: 180 -> 153 mL is exactly 15 %, 180 -> 154 mL is 14.44 %.
        (180, 153, "responder", -15.0),
        (180, 154, "non_responder", -14.44),
        (200, 120, "responder", -40.0),
        (150, 165, "non_responder", 10.0),
    ],
)
def test_a_fall_of_15_percent_is_a_response(before, after, verdict, change):
    response = lvesv_response(IMPLANT, [at(-5, before)], [at(180, after)])

    assert response.verdict == verdict
    assert response.change_percent == pytest.approx(change, abs=0.005)


@pytest.mark.parametrize(("days", "judged"), [(90, False), (91, True), (365, True), (366, False), (-1, False)])
def test_follow_up_counts_from_3_to_12_months(days, judged):
    response = lvesv_response(IMPLANT, [at(-5, 200)], [at(days, 100)])

    assert (response.verdict == "responder") is judged
    assert judged or (response.change_percent is None and "between 3 and 12 months" in response.reason)


def test_the_reference_is_the_last_volume_up_to_the_implant():
    response = lvesv_response(IMPLANT, [at(-90, 300), at(0, 200), at(1, 500)], [at(180, 150)])

    assert response.change_percent == -25


def test_the_volume_nearest_to_6_months_is_judged():
    response = lvesv_response(IMPLANT, [at(0, 200)], [at(100, 100), at(185, 150), at(360, 100)])

    assert response.change_percent == -25


def test_without_a_volume_before_nothing_is_judged():
    response = lvesv_response(IMPLANT, [at(1, 200)], [at(180, 150)])

    assert (response.verdict, response.reason) == ("not_assessable", "No LVESV before the implant.")


@pytest.mark.django_db
def test_stored_assessments_without_lvesv_are_passed_over():
    patient = make.make_patient()
    make.make_assessment(patient, assessed_on=IMPLANT, lvesv_ml=200)
    make.make_assessment(patient, assessed_on=IMPLANT, lvef_percent=20)
    make.make_assessment(patient, kind="follow_up", assessed_on=IMPLANT + dt.timedelta(days=182), lvef_percent=40)
    make.make_assessment(patient, kind="follow_up", assessed_on=IMPLANT + dt.timedelta(days=200), lvesv_ml=100)

    assert response_by_lvesv(IMPLANT, patient.assessments.all()).change_percent == -50


@pytest.mark.parametrize(
    ("change", "digits", "told"),
    [(-15.0, 1, "-15.0"), (-14.96, 1, "-14.96"), (-14.9999, 1, "-14.9999"), (-20.04, 1, "-20.0"), (5.3, 0, "+5.3")],
)
def test_a_change_is_not_rounded_onto_a_limit_it_does_not_reach(change, digits, told):
    assert _signed(change, digits, [-15.0, 5.0]) == told
