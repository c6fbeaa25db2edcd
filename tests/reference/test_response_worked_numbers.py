"""Worked numbers of the published acute-response protocols, derived by hand from their formulae.

Change against the baselines before and after: J Card Fail 2014, PMID 24508810. Mean, interval and parabola over
alternations: His/BiV haemodynamic study, PMC6290113, fig. 1.
"""

from __future__ import annotations

import numpy as np
import pytest

from procedures.acute_response import SummaryEpoch, compare, delay_optimum
from procedures.acute_response.simple import paired_changes, replicate_intervals


def summary(key: str, state: str, start: float, mean: float) -> SummaryEpoch:
    return SummaryEpoch(key, state, start, start + 20.0, mean, 20.0, 15)


def test_interleaved_change_when_baseline_drifts() -> None:
    # J Card Fail 2014, PMID 24508810: compare only with the baseline before and after.
    epochs = [summary("1", "baseline", 0, 800), summary("2", "A", 60, 880), summary("3", "baseline", 120, 820)]
    site = compare(epochs, baseline="baseline", metric="dpdt_max_mmhg_per_s").sites[0]
    assert site.paired_change_percent == pytest.approx(8.64, abs=0.005)
    assert site.unpaired_change_percent == pytest.approx(10.00, abs=0.005)
    assert site.change_percent == pytest.approx(8.64, abs=0.05)  # drift in the middle, on the log scale
    assert site.paired_low_percent is None  # one transition has no scatter of its own


def test_interval_of_replicates_is_students() -> None:
    # mean +- t(k-1) SD / sqrt(k); t(2, 0.975) = 4.30265 (any table of Student's t).
    mean, low, high = replicate_intervals(np.array([8.0, 10.0, 12.0]), np.zeros(3, int), 1)[0]
    half = 4.302652730 * 2.0 / np.sqrt(3.0)
    assert (mean, low, high) == pytest.approx((10.0, 10.0 - half, 10.0 + half), abs=1e-8)


def test_paired_changes_of_three_alternations() -> None:
    # Relative change = site / mean(base before, base after) - 1, by hand.
    means = np.array([800, 880, 820, 902, 840, 840, 820], float)
    state = np.array([-1, 0, -1, 0, -1, 0, -1])
    changes, _ = paired_changes(means, state)
    assert changes == pytest.approx([100 * (880 / 810 - 1), 100 * (902 / 830 - 1), 100 * (840 / 830 - 1)])


def test_delay_optimum_of_a_parabola() -> None:
    # a + b x + c x^2: optimum -b / 2c = 140 ms, value a - b^2 / 4c = 8.5.
    result = delay_optimum(np.array([80.0, 120, 160, 200]), np.array([4.0, 8, 8, 4]))
    assert result.optimum_ms == pytest.approx(140.0)
    assert result.peak_change_percent == pytest.approx(8.5)
    assert result.coefficients[2] == pytest.approx(-0.00125)
    assert result.concave
    assert result.inside_range


@pytest.mark.parametrize(("changes", "flag"), [([8.0, 4, 4, 8], "not_concave"), ([1.0, 4, 6, 7], "outside_range")])
def test_delay_optimum_without_an_interior_maximum(changes: list[float], flag: str) -> None:
    result = delay_optimum(np.array([80.0, 120, 160, 200]), np.array(changes))
    assert result.optimum_ms is None
    assert flag in result.flags


def test_fieller_interval_of_a_published_form() -> None:
    # Fieller's limits solve (b + 2 c v)^2 = q^2 Var(b + 2 c v) (J R Stat Soc B 1954;16:175): check the equation itself.
    x = np.repeat([80.0, 120, 160, 200, 240], 3)
    rng = np.random.default_rng(4)
    y = 8.0 - 0.0012 * (x - 150.0) ** 2 + rng.normal(0, 0.8, x.size)
    result = delay_optimum(x, y)
    design = np.stack([np.ones_like(x), x, x * x], axis=1)
    beta, squares = np.linalg.lstsq(design, y, rcond=None)[:2]
    covariance = float(squares[0]) / (x.size - 3) * np.linalg.inv(design.T @ design)
    for limit in (result.low_ms, result.high_ms):
        direction = np.array([0.0, 1.0, 2.0 * limit])
        t = (direction @ beta) / np.sqrt(direction @ covariance @ direction)
        assert abs(t) == pytest.approx(2.178812830, rel=1e-5)  # Student's t, 12 degrees of freedom, 0.975
