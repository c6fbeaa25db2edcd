from __future__ import annotations

import numpy as np
import pytest

from procedures.acute_response import ResponseError, check_measurement, check_response
from tests.procedures.acute_response.simulated import BASELINE, Noise, epoch, session


def with_return(seed: int, effect: float) -> tuple[list, float]:
    rng = np.random.default_rng(seed)
    epochs = session(rng, "none", truth=[9.0, 4.0, 2.0, 6.0]).epochs
    since = epochs[-1].end_s + 30.0
    for i in range(3):
        start = since + 10.0 + 80.0 * i
        level = 900.0 * (1.0 + effect / 100.0)
        epochs.append(epoch(rng, f"r{i}", "S1", start, level, 15, Noise(), 0.25))
        epochs.append(epoch(rng, f"b{i}", BASELINE, start + 40.0, 900.0, 15, Noise(), 0.25))
    return epochs, since


def check(seed: int, effect: float):
    epochs, since = with_return(seed, effect)
    return check_response(epochs, state="S1", since_s=since, baseline=BASELINE, metric="dpdt_max_mmhg_per_s")


def test_same_response_agrees_in_95_of_100_returns() -> None:
    results = [check(seed, 9.0) for seed in range(100)]
    assert sum(r.agrees for r in results) >= 90
    assert np.mean([r.difference for r in results]) == pytest.approx(0.0, abs=0.5)


def test_lost_response_is_a_warning() -> None:
    results = [check(seed, 0.0) for seed in range(30)]
    assert sum(not r.agrees for r in results) >= 28
    assert all(r.sentence.startswith("Warning") for r in results if not r.agrees)
    assert np.mean([r.difference for r in results]) == pytest.approx(100 * (1 / 1.09 - 1), abs=1.0)


def test_response_needs_a_visit_on_both_sides() -> None:
    epochs, _ = with_return(1, 9.0)
    with pytest.raises(ResponseError, match="visit before and one after"):
        check_response(epochs, state="S1", since_s=1e9, baseline=BASELINE, metric="x")


@pytest.mark.parametrize(("second", "agrees"), [(1.4, True), (1.5, True), (1.6, False), (None, None)])
def test_threshold_against_its_tolerance(second: float | None, agrees: bool | None) -> None:
    result = check_measurement("capture_threshold_v", 1.0, second)
    assert result.agrees is agrees
    assert result.sentence.startswith("Warning") == (agrees is False)
