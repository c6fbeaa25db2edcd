"""Capture, fusion and change against baseline."""

import math

import pytest

from procedures.electrocardiogram import (
    ElectrocardiogramError,
    LeadQrs,
    QrsChange,
    capture_by_ratio,
    capture_lost,
    change_from_baseline,
    electrocardiogram,
    fusion,
    measure,
    morphology,
)
from tests.procedures.electrocardiogram.simulated import record


def qrs(waves, r=0.0, s=0.0, q=0.0):
    return LeadQrs(waves, q_mv=q, r_mv=r, s_mv=s)


def change(correlation):
    return QrsChange(0.0, 3.0, -6.0, 6.0, 0.0, correlation, ())


LOST = capture_by_ratio(qrs("+-", 0.2, 1.0), qrs("+-", 1.0, 0.2))
CAPTURED = capture_by_ratio(qrs("+", 0.8), qrs("-", 0.0, 1.0))


def test_each_step_carries_its_number():
    first, second = LOST.steps
    assert (first.met, first.value) == (False, 0.2)
    assert (second.met, second.value) == (False, 5.0)
    assert CAPTURED.steps[0].value == math.inf


def test_qrs_before_the_stimulus_is_suspected_fusion():
    assert fusion(-12.0, 3.0, None, False).suspected
    assert fusion(-5.0, 3.0, None, False).suspected is False
    assert fusion(None, 3.0, None, False).suspected is None


def test_resemblance_to_an_intrinsic_baseline_is_suspected_fusion():
    assert fusion(20.0, 2.0, change(0.93), False).suspected
    assert fusion(20.0, 2.0, change(0.93), True).suspected is False
    assert fusion(20.0, 2.0, change(0.5), False).suspected is False


def test_capture_lost_by_the_steps_or_by_an_unchanged_qrs():
    assert capture_lost(LOST, True, None, False).suspected
    assert capture_lost(CAPTURED, True, None, False).suspected is False
    assert capture_lost(CAPTURED, True, change(0.99), False).suspected
    assert capture_lost(CAPTURED, True, change(0.99), True).suspected is False
    assert capture_lost(LOST, False, None, False).suspected is None


def test_morphology_says_infinite_and_not_assessable_in_words():
    found = morphology({"V1": qrs("+", 1.0), "V2": LeadQrs(""), "I": qrs("-+", 1.0, 0.0, q=0.6)})
    assert (found["r_s_V1"], found["r_s_word_V1"]) == (None, ">= 1")
    assert (found["r_s_V2"], found["r_s_word_V2"]) == (None, "not assessable")
    assert (found["q_in_I"], found["pattern_I"]) == (True, "QR")


@pytest.fixture(scope="module")
def wide_and_narrow():
    made = [record("bells", width, 61) for width in (160, 120)]
    return [measure(electrocardiogram(r.leads, r.rate_hz)) for r in made]


def test_change_of_duration_carries_the_uncertainty_of_both(wide_and_narrow):
    wide, narrow = wide_and_narrow
    found = change_from_baseline(narrow, wide)
    assert found.low_ms < -40 < found.high_ms
    assert found.duration_sd_ms == pytest.approx(math.hypot(wide.qrs_duration_sd_ms, narrow.qrs_duration_sd_ms))


def test_an_electrocardiogram_is_unchanged_against_itself_and_inverted_against_its_mirror(wide_and_narrow):
    wide, _ = wide_and_narrow
    same = change_from_baseline(wide, wide)
    assert same.correlation == pytest.approx(1.0)
    assert (same.duration_ms, same.axis_degrees, same.flipped) == (0.0, 0.0, ())
    made = record("bells", 160, 61)
    mirrored = measure(electrocardiogram({name: -lead for name, lead in made.leads.items()}, made.rate_hz))
    turned = change_from_baseline(mirrored, wide)
    assert abs(turned.axis_degrees) == pytest.approx(180, abs=2)
    assert len(turned.flipped) >= 8


def test_nothing_in_common_is_refused(wide_and_narrow):
    made = record("bells", 160, 61)
    one = measure(electrocardiogram({"V1": made.leads["V1"], "V2": made.leads["V2"]}, 1000.0))
    other = measure(electrocardiogram({"V5": made.leads["V5"], "V6": made.leads["V6"]}, 1000.0))
    with pytest.raises(ElectrocardiogramError, match="in common"):
        change_from_baseline(one, other)
