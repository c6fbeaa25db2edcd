"""A study of moderate size with limits wide enough for its chance error; the full one is in tests/bench."""

from __future__ import annotations

import numpy as np
import pytest

from tests.procedures.acute_response.simulated import DRIFTS, Noise
from tests.procedures.acute_response.study import calibration, study


@pytest.fixture(scope="module")
def figures() -> dict:
    return {(every, kind): study(80, kind, every, seed=17) for every in (1, 3) for kind in DRIFTS}


@pytest.mark.parametrize(("every", "limit"), [(1, 0.93), (3, 0.97)])
def test_error_is_smaller_than_the_paired_estimates(figures: dict, every: int, limit: float) -> None:
    mine = [f for (e, _), f in figures.items() if e == every]
    assert np.sqrt(np.mean([f.rmse**2 for f in mine]) / np.mean([f.paired_rmse**2 for f in mine])) <= limit


def test_intervals_cover(figures: dict) -> None:
    # 4,000 intervals, those of a session correlated: the SE of the mean coverage is about 0.5 points.
    assert 93.0 <= np.mean([f.coverage for f in figures.values()]) <= 97.0
    # A single kind and design has 400 intervals: 1.5 points.
    assert all(90.0 <= f.coverage <= 99.5 for f in figures.values())


def test_shrinkage_takes_the_winners_curse_away(figures: dict) -> None:
    shrunken, raw = (np.mean([getattr(f, n) for f in figures.values()]) for n in ("leader_bias", "raw_leader_bias"))
    assert abs(shrunken) < 0.25
    assert raw > abs(shrunken)


def test_probabilities_mean_what_they_say(figures: dict) -> None:
    claimed = np.concatenate([f.claimed for f in figures.values()])
    came_true = np.concatenate([f.came_true for f in figures.values()])
    for expected, observed, count in calibration(claimed, came_true):
        assert abs(observed - expected) < 3.5 * np.sqrt(expected * (1 - expected) / count) + 0.01


def test_best_site_is_named_as_often_as_by_pairs_and_brier_is_lower(figures: dict) -> None:
    assert np.mean([f.hits for f in figures.values()]) >= np.mean([f.paired_hits for f in figures.values()])
    assert all(f.brier < f.paired_brier for f in figures.values())


def test_heavy_tailed_beats_neither_break_coverage_nor_cost_much() -> None:
    plain = study(80, "walking", 1, seed=5, noise=Noise(beat=0.03))
    heavy = study(80, "walking", 1, seed=5, noise=Noise(beat=0.03, heavy_tails=True))
    assert 90.0 <= heavy.coverage <= 99.5
    assert heavy.rmse <= 1.05 * plain.rmse
    assert heavy.rmse < heavy.paired_rmse


def test_other_scatter_than_the_literatures_is_learned_from_the_repeats() -> None:
    quiet = study(80, "walking", 1, seed=6, noise=Noise(scatter=0.008, drift=0.02))
    loud = study(80, "walking", 1, seed=6, noise=Noise(scatter=0.035))
    assert 91.0 <= loud.coverage <= 98.0
    assert quiet.coverage >= 93.0
    assert quiet.rmse < 0.5 * loud.rmse


def test_one_baseline_still_covers() -> None:
    few = study(80, "walking", 100, seed=7, visits=1)
    assert 92.0 <= few.coverage <= 100.0
