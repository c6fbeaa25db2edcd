import math

import pytest

from procedures.electrocardiogram import ElectrocardiogramError, activation


def test_intervals_of_one_beat():
    found = activation(qrs_onset_ms=100, qrs_duration_ms=160, lv_ms=220, rv_ms=130, stimulus_ms=80)
    assert (found.qlv_ms, found.rv_lv_ms, found.latency_ms) == (120, 90, 20)
    assert found.qlv_share == 0.75
    assert found.late_qlv
    assert found.late_rv_lv


@pytest.mark.parametrize(("qlv", "late"), [(94.9, False), (95.0, True)])
def test_late_qlv_begins_at_95_ms(qlv, late):
    assert activation(qrs_onset_ms=0, lv_ms=qlv).late_qlv is late


def test_missing_markers_leave_intervals_open():
    found = activation(lv_ms=100)
    assert (found.qlv_ms, found.qlv_share, found.rv_lv_ms, found.latency_ms) == (None,) * 4
    assert found.late_qlv is None
    assert found.late_rv_lv is None


@pytest.mark.parametrize(
    ("markers", "words"),
    [
        ({"qrs_onset_ms": math.nan, "lv_ms": 1}, "QRS onset"),
        ({"qrs_onset_ms": 0, "lv_ms": 900}, "one beat"),
        ({"qrs_onset_ms": 0, "lv_ms": 90, "qrs_duration_ms": 0}, "above zero"),
        ({"qrs_onset_ms": 0, "stimulus_ms": 10}, "before the stimulus"),
    ],
)
def test_impossible_markers_are_refused(markers, words):
    with pytest.raises(ElectrocardiogramError, match=words):
        activation(**markers)
