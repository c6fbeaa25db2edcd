"""Time constants on exact curves, with offsets and with noise."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics.beat_metrics.relaxation import tau_exponential_ms, tau_logistic_ms, tau_zero_asymptote_ms

TIME_MS = np.arange(80.0)
ALL = np.ones((1, 80), dtype=bool)


@pytest.mark.parametrize("tau", [25.0, 48.0, 90.0])
@pytest.mark.parametrize("asymptote", [-20.0, 0.0, 8.0])
def test_exponential_is_recovered(tau: float, asymptote: float) -> None:
    pressure = (70 * np.exp(-TIME_MS / tau) + asymptote)[None]
    found, offset = tau_exponential_ms(TIME_MS, pressure, ALL)
    assert found[0] == pytest.approx(tau, rel=1e-4)
    assert offset[0] == pytest.approx(asymptote, abs=0.01)


def test_zero_asymptote_is_exact_without_offset_and_biased_as_published_with_one() -> None:
    taus = [
        tau_zero_asymptote_ms(TIME_MS, (80 * np.exp(-TIME_MS / 50) + offset)[None], ALL)[0] for offset in (-8, 0, 8)
    ]
    assert taus[1] == pytest.approx(50, rel=1e-9)
    assert taus[0] < 50 < taus[2]


@pytest.mark.parametrize("tau", [15.0, 30.0, 55.0])
def test_logistic_is_recovered(tau: float) -> None:
    pressure = (140 / (1 + np.exp(TIME_MS / tau)) - 5)[None]
    found, offset = tau_logistic_ms(TIME_MS, pressure, ALL)
    assert found[0] == pytest.approx(tau, rel=1e-4)
    assert offset[0] == pytest.approx(-5, abs=0.01)


@pytest.mark.parametrize(("tau", "asymptote"), [(40.0, 0.0), (50.0, -8.0)])
def test_noise_leaves_exponential_unbiased(tau: float, asymptote: float) -> None:
    rng = np.random.default_rng(1)
    pressure = 75 * np.exp(-TIME_MS / tau) + asymptote + rng.standard_normal((2000, 80))
    found, _ = tau_exponential_ms(TIME_MS, pressure, np.ones(pressure.shape, dtype=bool))
    assert np.isfinite(found).mean() > 0.99
    assert np.nanmean(found) == pytest.approx(tau, rel=0.02)


def test_windows_of_different_length_in_one_call() -> None:
    pressure = np.stack([60 * np.exp(-TIME_MS / tau) + 3 for tau in (30.0, 60.0)])
    inside = np.stack([TIME_MS < 45, TIME_MS < 70])
    found, _ = tau_exponential_ms(TIME_MS, np.where(inside, pressure, 999.0), inside)
    np.testing.assert_allclose(found, [30, 60], rtol=1e-4)


def test_short_or_rising_window_gives_nothing() -> None:
    rising = (10 + TIME_MS)[None]
    assert np.isnan(tau_exponential_ms(TIME_MS, rising, ALL)[0][0])
    assert np.isnan(tau_zero_asymptote_ms(TIME_MS, rising, ALL)[0])
    falling = (60 * np.exp(-TIME_MS / 40))[None]
    few = (TIME_MS < 4)[None]
    assert np.isnan(tau_exponential_ms(TIME_MS, falling, few)[0][0])
    assert np.isnan(tau_logistic_ms(TIME_MS, falling, few)[0][0])
    assert np.isnan(tau_zero_asymptote_ms(TIME_MS, falling, few)[0])
