"""Published definitions of left bundle branch block, each clause true and false.

Strict: Strauss et al., Am J Cardiol 2011;107:927 (read twice removed). ESC 2013 and AHA/ACCF/HRS 2009: from memory,
consistent with the feature table of Neth Heart J 2021;29:643 (table 2). The three tracings at the end are worked from
those clauses (QRS 138 ms, QS in V1 and V2, notches in I and aVL).
"""

from dataclasses import replace

import pytest

from procedures.electrocardiogram import LeadQrs, aha_2009_lbbb, esc_2013_lbbb, strict_lbbb

QS = LeadQrs("-", s_mv=1.2)
RS = LeadQrs("+-", r_mv=0.2, s_mv=1.4)
TALL_RS = LeadQrs("+-", r_mv=1.0, s_mv=0.6)
RSR = LeadQrs("+-+", r_mv=0.9, s_mv=1.0)
R = LeadQrs("+", r_mv=1.0, r_peak_ms=80.0, intrinsicoid_ms=80.0)
NOTCHED = replace(R, notched=True, notch_ms=70.0)
SLURRED = replace(R, slurred=True, notch_ms=70.0)
QR = LeadQrs("-+", q_mv=0.1, r_mv=1.0, r_peak_ms=80.0, intrinsicoid_ms=80.0)
LATE_RS = replace(TALL_RS, r_peak_ms=70.0, intrinsicoid_ms=70.0)
FLAT = LeadQrs("")


def tracing(**leads):
    """Typical left bundle branch block, with the leads given in its place."""
    return {"V1": QS, "V2": RS, "I": NOTCHED, "aVL": NOTCHED, "V5": NOTCHED, "V6": SLURRED, **leads}


def clause(criteria, key):
    return next(c for c in criteria.clauses if c.key == key)


def test_typical_block_meets_all_three():
    assert strict_lbbb(160, tracing(), "male").met is True
    assert esc_2013_lbbb(160, tracing()).met is True
    assert aha_2009_lbbb(160, tracing()).met is True


@pytest.mark.parametrize(
    ("sex", "duration", "met"),
    [
        ("male", 139.9, False),
        ("male", 140.0, True),
        ("female", 129.9, False),
        ("female", 130.0, True),
        (None, 129.9, False),
        (None, 135.0, None),
        (None, 140.0, True),
    ],
)
def test_strict_duration_by_sex(sex, duration, met):
    found = clause(strict_lbbb(duration, tracing(), sex), "duration")
    assert found.met is met
    assert found.values["QRS ms"] == duration


@pytest.mark.parametrize(
    ("v1", "v2", "met"),
    [
        (QS, QS, True),
        (RS, RS, True),
        (QS, RS, True),
        (QS, TALL_RS, False),
        (RSR, QS, False),
        (R, QS, False),
        (QS, FLAT, None),
        (R, FLAT, False),
    ],
)
def test_strict_pattern_in_v1_and_v2(v1, v2, met):
    assert clause(strict_lbbb(160, tracing(V1=v1, V2=v2), "male"), "qs_or_rs").met is met


@pytest.mark.parametrize(
    ("leads", "met"),
    [
        ({"I": NOTCHED, "aVL": NOTCHED, "V5": R, "V6": R}, True),
        ({"I": SLURRED, "aVL": R, "V5": R, "V6": SLURRED}, True),
        ({"I": NOTCHED, "aVL": R, "V5": R, "V6": R}, False),
        ({"I": R, "aVL": R, "V5": R, "V6": R}, False),
        ({"I": R, "aVL": R, "V5": R, "V6": R, "V1": replace(QS, notched=True), "V2": replace(QS, slurred=True)}, True),
        ({"I": NOTCHED, "aVL": R, "V5": R, "V6": FLAT}, None),
    ],
)
def test_strict_notch_in_two_of_six_leads(leads, met):
    found = clause(strict_lbbb(160, tracing(**leads), "male"), "notch")
    assert found.met is met


def test_strict_is_judged_by_all_clauses_together():
    assert strict_lbbb(120, tracing(), "male").met is False
    assert strict_lbbb(160, tracing(V1=R), "male").met is False
    assert strict_lbbb(135, tracing()).met is None
    without = {name: lead for name, lead in tracing().items() if name != "V2"}
    assert strict_lbbb(160, without, "male").met is None
    assert strict_lbbb(110, without, "male").met is False


@pytest.mark.parametrize(
    ("key", "duration", "leads", "met"),
    [
        ("duration", 120.0, {}, True),
        ("duration", 119.9, {}, False),
        ("qs_or_rs", 150.0, {"V1": RS}, True),
        ("qs_or_rs", 150.0, {"V1": R}, False),
        ("qs_or_rs", 150.0, {"V2": R}, True),  # V2 is not asked for
        ("notch", 150.0, {"I": R, "aVL": R, "V5": R}, True),  # V6 alone
        ("notch", 150.0, {"I": R, "aVL": R, "V5": R, "V6": R}, False),
        ("notch", 150.0, {"I": R, "aVL": R, "V5": R, "V6": replace(QS, notched=True)}, False),  # no R wave
        ("no_q", 150.0, {"V5": R}, True),
        ("no_q", 150.0, {"V5": QR}, False),
        ("no_q", 150.0, {"V6": QR}, False),
        ("no_q", 150.0, {"I": QR}, True),  # I is not asked for
    ],
)
def test_esc_2013_clauses(key, duration, leads, met):
    criteria = esc_2013_lbbb(duration, tracing(**leads))
    assert clause(criteria, key).met is met
    assert criteria.met is met


@pytest.mark.parametrize(
    ("key", "duration", "leads", "met"),
    [
        ("duration", 120.0, {}, True),
        ("duration", 119.9, {}, False),
        ("notch", 150.0, {"I": SLURRED}, True),
        ("notch", 150.0, {"aVL": R}, False),
        ("no_q", 150.0, {"aVL": replace(QR, notched=True)}, True),  # aVL may have a q
        ("no_q", 150.0, {"I": replace(QR, notched=True)}, False),
        ("no_q", 150.0, {"V6": replace(QR, notched=True)}, False),
        ("r_peak_time", 150.0, {"V5": replace(NOTCHED, intrinsicoid_ms=61.0)}, True),
        ("r_peak_time", 150.0, {"V5": replace(NOTCHED, intrinsicoid_ms=60.0)}, False),
        ("r_peak_time", 150.0, {"V6": replace(NOTCHED, intrinsicoid_ms=45.0)}, False),
        # the taller of two peaks is the first: the time runs to the second
        ("r_peak_time", 150.0, {"V5": replace(NOTCHED, r_peak_ms=48.0, intrinsicoid_ms=92.0)}, True),
        ("notch", 150.0, {"V6": LATE_RS}, True),  # displaced transition
        ("notch", 150.0, {"I": LATE_RS}, False),  # not accepted in I
    ],
)
def test_aha_2009_clauses(key, duration, leads, met):
    criteria = aha_2009_lbbb(duration, tracing(**leads))
    assert clause(criteria, key).met is met
    assert criteria.met is met


WORKED = {"V1": QS, "V2": QS, "I": NOTCHED, "aVL": NOTCHED, "V5": R, "V6": R}


def test_138_ms_is_strict_block_in_a_woman_and_not_in_a_man():
    assert esc_2013_lbbb(138, WORKED).met is True
    assert strict_lbbb(138, WORKED, "male").met is False
    assert strict_lbbb(138, WORKED, "female").met is True


def test_q_in_v6_excludes_the_2009_definition():
    assert aha_2009_lbbb(160, tracing()).met is True
    assert aha_2009_lbbb(160, tracing(V6=replace(QR, notched=True))).met is False
