"""Indication classes, case by case.

ESC 2021: Glikson et al., Eur Heart J 2021;42:3427 (from memory). HRS/APHRS/LAHRS 2023: Chung et al., Heart Rhythm
2023;20:e17; its rows on non-LBBB, on QRS < 120 ms and on substantial pacing were read in the society's own summary of
the recommendations, the rest is from memory.
"""

import pytest

from registry.clinical.guidelines import ESC_2021, GUIDELINES, HRS_2023, Findings, Known, classify


def findings(**known):
    base = {"lvef_percent": 30, "rhythm": "sinus", "nyha": 3, "therapy_optimised": True, "sex": "male"}
    return Findings(**{name: Known(value) for name, value in (base | known).items()})


def lbbb(qrs, **known):
    return findings(morphology="lbbb", qrs_ms=qrs, **known)


def other(qrs, **known):
    return findings(morphology="ivcd", qrs_ms=qrs, **known)


def narrow(**known):
    return findings(morphology="narrow", qrs_ms=100, **known)


BLOCK = {"av_block": True, "pacing_need": True}
# (findings, class by ESC 2021, class by HRS 2023); None: no row is met.
CASES = [
    (lbbb(150), "I", "1"),
    (lbbb(149), "IIa", "2a"),
    (lbbb(149, sex="female"), "IIa", "1"),
    (lbbb(130), "IIa", "2a"),
    (lbbb(129, pacing_need=False), "III", "2a"),
    (lbbb(120, sex="female"), None, "1"),
    (other(150), "IIa", "2a"),
    (other(150, nyha=2), "IIa", "2b"),
    (other(140), "IIb", "2b"),
    (other(140, nyha=2), "IIb", "3: no benefit"),
    (findings(morphology="rbbb", qrs_ms=160), "IIa", "2a"),
    (findings(morphology="narrow", qrs_ms=100, pacing_need=False), "III", "3: no benefit"),
    (narrow(**BLOCK, previous_device="none"), "I", None),
    (narrow(pacing_need=True, av_block=False, previous_device="none"), None, None),
    (narrow(**BLOCK, previous_device="pacemaker", pacing_percent=95), "IIa", None),
    (narrow(**BLOCK, previous_device="icd", lvef_percent=38, nyha=1, pacing_percent=5), None, None),
    (lbbb(160, lvef_percent=36, pacing_need=False), None, None),
    (lbbb(160, nyha=1), None, None),
    (narrow(lvef_percent=39, **BLOCK, previous_device="none"), "I", None),
    (narrow(lvef_percent=40, **BLOCK, previous_device="none"), None, None),
    (lbbb(100, lvef_percent=45, pacing_percent=20, pacing_need=True), None, "2a"),
    (lbbb(100, lvef_percent=45, pacing_percent=20, pacing_need=False), "III", None),
    (lbbb(150, rhythm="atrial_fibrillation", capture_assured=True), "IIa", "2a"),
    (lbbb(150, rhythm="atrial_fibrillation", capture_assured=True, nyha=2), None, "2a"),
    (lbbb(150, rhythm="atrial_fibrillation", capture_assured=False), None, None),
    (findings(morphology="rv_paced", qrs_ms=180, previous_device="pacemaker", pacing_percent=95), "IIa", None),
    (findings(morphology="rv_paced", qrs_ms=180, previous_device="pacemaker", pacing_percent=10), None, None),
]


@pytest.mark.parametrize(("known", "esc", "hrs"), CASES, ids=range(len(CASES)))
def test_class_of_a_case(known, esc, hrs):
    told = [classify(guideline, known) for guideline in (ESC_2021, HRS_2023)]

    assert [one.met.row.grade if one.met else None for one in told] == [esc, hrs]


def test_a_missing_finding_makes_a_row_open_and_names_it():
    known = findings(morphology="lbbb", qrs_ms=None)

    for guideline in GUIDELINES:
        told = classify(guideline, known)
        assert told.met is None
        assert told.told == "not assessable: data are missing"
        assert "QRS ≥ 150 ms" in told.open[0].missing


def test_a_failed_criterion_closes_a_row_whatever_else_is_missing():
    told = classify(HRS_2023, Findings(lvef_percent=Known(60)))

    assert told.met is None
    assert told.open == []
    assert told.told == "no recommendation is met"


def test_a_missing_finding_is_still_told_when_it_could_raise_the_class():
    told = classify(HRS_2023, lbbb(140, sex=None))

    assert told.told == "not assessable: data are missing"
    assert {tuple(row.missing) for row in told.open} == {("woman",), ("man",)}


def test_each_criterion_shows_the_number_behind_it():
    told = classify(ESC_2021, lbbb(160, therapy_optimised=None)).rows[0]

    shown = {one.text: (one.word, one.behind) for one in told.criteria}
    assert shown == {
        "sinus rhythm": ("yes", "sinus rhythm"),
        "LVEF ≤ 35 %": ("yes", "30 %"),
        "NYHA class II, III, IV": ("yes", "III"),
        "optimal medical therapy": ("not known", "not recorded"),
        "left bundle branch block": ("yes", "left bundle branch block"),
        "QRS ≥ 150 ms": ("yes", "160 ms"),
    }


@pytest.mark.parametrize("guideline", GUIDELINES, ids=lambda guideline: guideline.name)
def test_every_guideline_says_year_table_and_what_is_left_out(guideline):
    assert str(guideline.year) in guideline.citation
    assert guideline.where
    assert guideline.left_out
    assert any(row.against for row in guideline.rows)
