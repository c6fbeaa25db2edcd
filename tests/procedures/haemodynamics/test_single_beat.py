"""The single-beat estimate: exact where a beat is a sine cut off by ejection, rough elsewhere, refused in words."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, analyse
from procedures.haemodynamics.contractility.relations import LoadReductionError
from procedures.haemodynamics.contractility.single_beat import _isovolumic_peak, single_beat_estimate
from tests.procedures.haemodynamics.generator import Made


@pytest.mark.parametrize(("period_s", "peak"), [(0.6, 150.0), (0.8, 190.0), (1.1, 240.0)])
def test_sine_is_found_from_its_flanks(period_s: float, peak: float) -> None:
    time = np.arange(0, 0.95 * period_s, 0.001)
    pressure = 8 + (peak - 8) / 2 * (1 - np.cos(2 * np.pi * time / period_s))
    flanks = (time < 0.15 * period_s) | (time > 0.65 * period_s)
    noisy = pressure + 0.3 * np.random.default_rng(1).standard_normal(time.size)
    assert _isovolumic_peak(time[flanks], pressure[flanks]) == pytest.approx(peak, rel=1e-3)
    assert _isovolumic_peak(time[flanks], noisy[flanks]) == pytest.approx(peak, rel=0.01)


def test_no_sine_no_estimate() -> None:
    time = np.arange(0, 0.3, 0.001)
    assert _isovolumic_peak(time[:5], time[:5]) is None
    assert _isovolumic_peak(time, 100 * time) is None


@pytest.mark.parametrize("name", ["slow", "steady"])
def test_estimate_of_a_ventricle_that_is_no_sine_is_within_half(made: dict[str, Made], name: str) -> None:
    signals = made[name].signals()
    found = single_beat_estimate(signals, analyse(signals), 0)
    assert found.ees_mmhg_per_ml == pytest.approx(1.35, rel=0.5)  # the generator's end-systolic elastance
    assert found.beats >= 8


def test_estimate_without_volume_is_refused(made: dict[str, Made]) -> None:
    bare = PressureVolumeSignals(1000.0, made["steady"].pressure)
    with pytest.raises(LoadReductionError, match="volume"):
        single_beat_estimate(bare, analyse(bare), 0)
