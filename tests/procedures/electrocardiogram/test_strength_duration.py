import numpy as np
import pytest

from procedures.electrocardiogram import (
    ElectrocardiogramError,
    fit_strength_duration,
    phrenic_ratio,
    pulse_energy_uj,
    safety_margin,
    safety_margin_at,
)

WIDTHS = np.array([0.1, 0.2, 0.4, 0.5, 1.0, 1.5])


def test_two_widths_give_a_curve_and_no_interval():
    curve = fit_strength_duration([0.5, 1.0], [1.8, 1.4])
    assert (curve.rheobase_v, curve.chronaxie_ms) == pytest.approx((1.0, 0.4))
    assert curve.rheobase_interval_v is None
    assert curve.chronaxie_interval_ms is None


def test_intervals_cover_the_truth_in_19_of_20():
    rng = np.random.default_rng(12)
    inside = np.zeros(2)
    for _ in range(400):
        thresholds = 0.6 * (1 + 0.4 / WIDTHS) + rng.normal(0, 0.05, WIDTHS.size)
        curve = fit_strength_duration(WIDTHS, thresholds)
        for i, (interval, true) in enumerate(((curve.rheobase_interval_v, 0.6), (curve.chronaxie_interval_ms, 0.4))):
            inside[i] += interval is None or interval[0] <= true <= interval[1]
    assert np.all(np.abs(inside / 400 - 0.95) < 0.03)


def test_safety_margin_at_another_width_uses_the_curve():
    curve = fit_strength_duration([0.5, 1.0], [1.8, 1.4])
    assert safety_margin_at(curve, 3.6, 0.5) == pytest.approx(2.0)
    assert safety_margin(3.6, 1.8) == pytest.approx(2.0)
    assert phrenic_ratio(5.0, 2.0) == 2.5


@pytest.mark.parametrize(
    ("widths", "thresholds", "words"),
    [
        ([0.5], [1.0], "two pulse widths"),
        ([0.5, 0.5], [1.0, 1.1], "two pulse widths"),
        ([0.5, 1.0], [1.0], "one threshold"),
        ([0.5, 0.0], [1.0, 1.0], "above zero"),
        ([0.5, 1.0], [1.0, -1.0], "above zero"),
        ([0.5, 1.0], [1.0, float("nan")], "above zero"),
        ([0.5, 1.0], [1.0, 2.0], "do not fall"),
        ([0.1, 1.0], [5.0, 0.1], "do not fall"),
    ],
)
def test_thresholds_that_are_no_curve_are_refused(widths, thresholds, words):
    with pytest.raises(ElectrocardiogramError, match=words):
        fit_strength_duration(widths, thresholds)


@pytest.mark.parametrize(("arguments", "words"), [((0, 0.5, 600), "amplitude"), ((2.5, 0.5, -1), "impedance")])
def test_energy_of_an_impossible_pulse_is_refused(arguments, words):
    with pytest.raises(ElectrocardiogramError, match=words):
        pulse_energy_uj(*arguments)
