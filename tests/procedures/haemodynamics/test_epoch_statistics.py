"""Means and their standard errors, judged by how often a stated interval holds the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from procedures.haemodynamics.epochs.statistics import _effective_number, _summarise


def autoregressive(rng: np.random.Generator, coefficient: float, runs: int, n: int) -> np.ndarray:
    noise = rng.standard_normal((runs, n + 200))
    return signal.lfilter([1], [1, -coefficient], noise, axis=1)[:, 200:]


@pytest.mark.parametrize("coefficient", [0.0, 0.4, 0.7])
@pytest.mark.parametrize("n", [60, 200])
def test_standard_error_allows_for_autocorrelation(coefficient: float, n: int) -> None:
    series = autoregressive(np.random.default_rng(7), coefficient, 600, n)
    errors = np.array([_summarise(row).standard_error for row in series])  # type: ignore[union-attr] # every row is long enough for one
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(series.mean(axis=1).std(), rel=0.15)


@pytest.mark.parametrize("coefficient", [0.0, 0.3])
def test_interval_of_ten_beats_covers(coefficient: float) -> None:
    series = autoregressive(np.random.default_rng(8), coefficient, 2000, 10)
    found = [_summarise(row) for row in series]
    half = np.array([stats.t.ppf(0.975, item.n - 1) * item.standard_error for item in found if item])
    assert (np.abs(series.mean(axis=1)) <= half).mean() >= 0.92


def test_effective_number_of_independent_values_is_theirs_and_never_more() -> None:
    rng = np.random.default_rng(9)
    numbers = [_effective_number(rng.standard_normal(100)) for _ in range(300)]
    assert 85 <= np.mean(numbers) <= 100
    assert max(numbers) <= 100


def test_known_effective_number_of_an_autoregressive_series() -> None:
    # n·(1 − r)/(1 + r), the textbook result for a long first-order series
    series = autoregressive(np.random.default_rng(10), 0.6, 200, 500)
    assert np.mean([_effective_number(row) for row in series]) == pytest.approx(500 * 0.4 / 1.6, rel=0.12)


def test_missing_values_are_left_out_and_nothing_gives_nothing() -> None:
    found = _summarise(np.array([1.0, np.nan, 3.0]))
    assert found is not None
    assert (found.mean, found.n) == (2.0, 2)
    assert found.sd == pytest.approx(np.sqrt(2))
    assert _summarise(np.array([np.nan])) is None
    single = _summarise(np.array([4.0]))
    assert single is not None
    assert (single.mean, single.n) == (4.0, 1)
    assert np.isnan(single.sd)


def test_constant_series_has_no_error() -> None:
    found = _summarise(np.full(20, 7.0))
    assert found is not None
    assert (found.sd, found.standard_error, found.effective_n) == (0, 0, 20)
