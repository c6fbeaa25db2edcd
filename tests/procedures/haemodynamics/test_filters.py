"""Bandwidths are what they say; the derivative follows the analytic one; a mains line is found and removed."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics.conditioning.filters import (
    _derivative_ladder,
    _differentiator,
    _low_pass,
    _mains_line,
    _remove_line,
)

TIME_S = np.arange(4000) / 1000


@pytest.mark.parametrize("rate_hz", [250.0, 500.0, 1000.0, 2000.0])
def test_derivative_bandwidth_is_the_stated_one(rate_hz: float) -> None:
    time = np.arange(int(4 * rate_hz)) / rate_hz
    for rung in _derivative_ladder(rate_hz, 45.0):
        frequency = rung.bandwidth_hz
        slope = rung(np.sin(2 * np.pi * frequency * time))[int(rate_hz) : -int(rate_hz)]
        gain = np.sqrt(2 * np.mean(slope**2)) / (2 * np.pi * frequency)
        assert gain == pytest.approx(np.sqrt(0.5), abs=0.02)


def test_derivative_ladder_descends_to_the_floor() -> None:
    bandwidths = [rung.bandwidth_hz for rung in _derivative_ladder(1000.0, 45.0)]
    assert bandwidths == sorted(bandwidths, reverse=True)
    assert 45 <= bandwidths[-1] < 60
    assert bandwidths[0] > 200


@pytest.mark.parametrize("window_ms", [0.0, 9.0, 25.0])
def test_derivative_of_slow_sine_is_analytic(window_ms: float) -> None:
    slope = _differentiator(window_ms, 1000.0)(np.sin(2 * np.pi * 3 * TIME_S))
    expected = 6 * np.pi * np.cos(2 * np.pi * 3 * TIME_S)
    np.testing.assert_allclose(slope[50:-50], expected[50:-50], atol=0.02)


def test_derivative_of_line_is_its_slope_to_the_ends() -> None:
    np.testing.assert_allclose(_differentiator(25.0, 1000.0)(7 * TIME_S), 7.0, atol=1e-9)


def test_low_pass_halves_amplitude_at_its_corner_without_delay() -> None:
    passed = _low_pass(np.sin(2 * np.pi * 25 * TIME_S), 25.0, 1000.0)[1000:-1000]
    np.testing.assert_allclose(passed, 0.5 * np.sin(2 * np.pi * 25 * TIME_S)[1000:-1000], atol=0.01)


def test_mains_line_is_found_and_removed() -> None:
    time = np.arange(20000) / 1000
    clean = 60 + 50 * np.sin(2 * np.pi * 1.2 * time) + 10 * np.sin(2 * np.pi * 2.4 * time)
    hum = 0.5 * np.sin(2 * np.pi * 49.9 * time + 1)
    line = _mains_line(clean + hum, 1000.0, (50.0, 60.0))
    assert line == pytest.approx(49.9, abs=0.06)
    left = _remove_line(clean + hum, line or 0, 1000.0) - clean
    assert np.abs(left[2000:-2000]).max() < 0.05


def test_mains_line_is_not_seen_in_a_periodic_beat_without_one() -> None:
    time = np.arange(20000) / 1000
    beat = 100 * np.maximum(np.sin(2 * np.pi * time), 0)  # its harmonics fall on 50 Hz exactly
    assert _mains_line(beat, 1000.0, (50.0, 60.0)) is None
