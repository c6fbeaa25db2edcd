"""Response classes at follow-up, case by case, with the source of each definition.

LVESV: a fall of 15 % or more (Zanon et al., Heart Rhythm 2016;13:1644, for the index). LVEF: a rise of more than 5
points, alive and without admission for heart failure (ESC Heart Fail 2020, PMC7261585); super-response 20 points or
more (Rickard et al., Heart Rhythm 2010). Clinical composite: Packer, J Card Fail 2001;7:176 (from memory).
"""

import datetime as dt

import pytest

from registry.response import CompositeFacts, EjectionState, clinical_composite, ejection_response
from registry.response.composite import CompositeState

IMPLANT = dt.date(2024, 3, 2)


def day(number):
    return IMPLANT + dt.timedelta(days=number)


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (25, 30, "non_responder"),
        (25, 30.5, "responder"),
        (25, 44.9, "responder"),
        (25, 45, "super_responder"),
        (25, 20, "non_responder"),
    ],
)
def test_lvef(before, after, verdict):
    told = ejection_response(IMPLANT, [EjectionState(day(-9), before)], [EjectionState(day(180), after)])

    assert told.verdict == verdict
    assert f"{before:g} to {after:g} %" in told.reason


def test_lvef_counts_an_admission_before_the_value_and_not_one_after():
    before, after = [EjectionState(day(-9), 25)], [EjectionState(day(180), 40)]
    admitted = "Admission for heart failure"

    assert ejection_response(IMPLANT, before, after, setbacks=[(day(179), admitted)]).verdict == "non_responder"
    assert ejection_response(IMPLANT, before, after, setbacks=[(day(181), admitted)]).verdict == "responder"
    assert ejection_response(IMPLANT, before, after, setbacks=[(day(-1), admitted)]).verdict == "responder"


@pytest.mark.parametrize(
    ("before", "after", "reason"),
    [
        ([], [EjectionState(day(180), 40)], "No LVEF before the implant."),
        ([EjectionState(day(-9), 25)], [EjectionState(day(60), 40)], "No LVEF between 3 and 12 months"),
    ],
)
def test_lvef_says_what_is_missing(before, after, reason):
    told = ejection_response(IMPLANT, before, after)

    assert not told.assessable
    assert reason in told.reason


def composite(nyha_before=3, nyha=3, assessed="unchanged", at=180, setbacks=(), today=800):
    follow_ups = [CompositeState(day(at), nyha, assessed)] if at else []
    return clinical_composite(CompositeFacts(IMPLANT, nyha_before, follow_ups, setbacks, day(today)))


@pytest.mark.parametrize(
    ("facts", "verdict"),
    [
        ({"nyha": 2}, "improved"),
        ({"nyha": 3, "assessed": "moderately_better"}, "improved"),
        ({"nyha": 3, "assessed": "slightly_better"}, "unchanged"),
        ({"nyha": 3}, "unchanged"),
        ({"nyha": 4}, "worse"),
        ({"nyha": 2, "assessed": "markedly_worse"}, "worse"),
        ({"nyha": 2, "setbacks": [(day(40), "Admission for heart failure")]}, "worse"),
        ({"nyha": 2, "setbacks": [(day(200), "Admission for heart failure")]}, "improved"),
        ({"at": None, "setbacks": [(day(300), "Death")]}, "worse"),
        ({"at": None, "setbacks": [(day(400), "Death")]}, "not_assessable"),
        ({"nyha_before": None, "nyha": 2}, "not_assessable"),
        ({"nyha_before": None, "nyha": None, "assessed": "markedly_better"}, "not_assessable"),
        ({"nyha_before": None, "nyha": 4, "assessed": "markedly_worse"}, "worse"),
        ({"nyha": 3, "assessed": None}, "not_assessable"),
        ({"nyha": 2, "assessed": None}, "not_assessable"),
        ({"nyha": 4, "assessed": None}, "worse"),
        ({"at": 60}, "not_assessable"),
    ],
)
def test_clinical_composite(facts, verdict):
    assert composite(**facts).verdict == verdict


def test_clinical_composite_says_what_is_missing_and_when_it_is_too_early():
    assert composite(assessed=None).reason == "NYHA class III to III. Not recorded: global assessment at follow-up."
    assert composite(at=None, today=200).reason == "The window of 3 to 12 months has not ended."
    assert "No NYHA class" in composite(at=None).reason
