"""Loop areas against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics.beat_metrics.loop import loop_area


def area(volume: np.ndarray, pressure: np.ndarray) -> float:
    start, stop = np.array([0]), np.array([volume.size - 1])
    return float(loop_area(pressure, volume, start, stop)[0])


def closed(values: list[float]) -> np.ndarray:
    return np.array([*values, values[0]])


def test_ellipse_area_is_pi_a_b() -> None:
    phase = np.linspace(0, 2 * np.pi, 2001)
    found = area(150 + 40 * np.cos(phase), 60 + 55 * np.sin(phase))
    assert found == pytest.approx(np.pi * 40 * 55, rel=1e-5)


def test_direction_does_not_matter() -> None:
    volume, pressure = closed([200.0, 200, 140, 140]), closed([10.0, 100, 100, 10])
    assert area(volume, pressure) == pytest.approx(area(volume[::-1], pressure[::-1]))


def test_open_loop_is_closed_by_a_straight_line() -> None:
    volume, pressure = np.array([200.0, 200, 140, 140]), np.array([10.0, 100, 100, 10])
    assert area(volume, pressure) == pytest.approx(5400)


def test_many_loops_of_one_signal() -> None:
    phase = np.linspace(0, 6 * np.pi, 3001)
    volume, pressure = 150 + 40 * np.cos(phase), 60 + 55 * np.sin(phase)
    found = loop_area(pressure, volume, np.array([0, 1000, 2000]), np.array([1000, 2000, 3000]))
    np.testing.assert_allclose(found, np.pi * 40 * 55, rtol=1e-4)
