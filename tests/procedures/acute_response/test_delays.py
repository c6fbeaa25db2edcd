from __future__ import annotations

import numpy as np
import pytest

from procedures.acute_response import ResponseError, delay_optimum

DELAYS = np.repeat([60.0, 100, 140, 180, 220], 4)


def sweep(rng: np.random.Generator, optimum: float = 145.0, curvature: float = 0.0012, sd: float = 1.2) -> np.ndarray:
    return 8.0 - curvature * (DELAYS - optimum) ** 2 + rng.normal(0, sd, DELAYS.size)


def test_intervals_cover() -> None:
    rng, inside, given = np.random.default_rng(3), 0, 0
    for _ in range(600):
        result = delay_optimum(DELAYS, sweep(rng))
        if result.low_ms is not None:
            given += 1
            inside += result.low_ms <= 145.0 <= result.high_ms
    assert given > 550
    assert 0.93 <= inside / given <= 0.975


def test_flat_sweep_is_refused_as_undecided() -> None:
    rng = np.random.default_rng(5)
    results = [delay_optimum(DELAYS, rng.normal(5.0, 2.0, DELAYS.size)) for _ in range(200)]
    assert np.mean([r.optimum_ms is None for r in results]) > 0.9
    assert all(set(r.flags) & {"not_concave", "outside_range", "undecided"} for r in results if r.optimum_ms is None)


def test_known_standard_errors_weigh_the_points() -> None:
    x, y = np.array([80.0, 120, 160, 200, 240]), np.array([4.0, 8, 8, 4, 60])
    result = delay_optimum(x, y, np.array([0.1, 0.1, 0.1, 0.1, 1e6]))
    assert result.optimum_ms == pytest.approx(140.0, abs=0.01)
    assert result.low_ms < 140.0 < result.high_ms


def test_three_points_give_an_optimum_without_an_interval() -> None:
    result = delay_optimum(np.array([100.0, 140, 180]), np.array([4.0, 6, 4]))
    assert result.optimum_ms == pytest.approx(140.0)
    assert (result.low_ms, result.high_ms) == (None, None)
    assert "no_interval" in result.flags


@pytest.mark.parametrize(
    ("x", "y", "se", "words"),
    [
        ([80, 120], [1, 2], None, "at least three different delays"),
        ([80, 80, 120], [1, 2, 3], None, "at least three different delays"),
        ([80, 120, np.nan], [1, 2, 3], None, "not a number"),
        ([80, 120, 160], [1, 2], None, "one change for each delay"),
        ([80, 120, 160], [1, 2, 1], [1, 0, 1], "above zero"),
    ],
)
def test_refuses_bad_sweeps(x: list, y: list, se: list | None, words: str) -> None:
    with pytest.raises(ResponseError, match=words):
        delay_optimum(np.array(x, float), np.array(y, float), None if se is None else np.array(se, float))
