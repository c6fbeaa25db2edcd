"""Bias of every metric under realistic noise: 1 mmHg and 1 mL white noise, 50 Hz hum, breathing of ±5 %."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, Settings, analyse
from tests.procedures.haemodynamics.generator import Made, make, plan

UNTRIMMED = Settings(whole_breaths=False)
WITHIN_TWO_PERCENT = (
    "heart_rate_per_min",
    "p_max_mmhg",
    "esp_mmhg",
    "dpdt_max_mmhg_per_s",
    "dpdt_min_mmhg_per_s",
    "tau_zero_asymptote_ms",
    "edv_ml",
    "esv_ml",
    "sv_ml",
    "ef_percent",
    "stroke_work_mmhg_ml",
    "ea_mmhg_per_ml",
    "cycle_efficiency",
)


def noisy_means(recording: Made, seed: int) -> dict[str, float]:
    signals = recording.signals(np.random.default_rng(seed), noise=1.0, hum=0.5)
    return {key: item.mean for key, item in analyse(signals, settings=UNTRIMMED).epochs[0].metrics.items()}


@pytest.mark.parametrize("name", ["breathing", "steady", "slow", "delayed"])
def test_bias_within_two_percent(made: dict[str, Made], name: str) -> None:
    recording = made[name]
    clean = analyse(recording.signals(), settings=UNTRIMMED).epochs[0].metrics
    runs = [noisy_means(recording, seed) for seed in range(4)]
    for key in WITHIN_TWO_PERCENT:
        found = np.mean([run[key] for run in runs])
        assert found == pytest.approx(clean[key].mean, rel=0.02), key
    # Pressures near zero: two percent of them would be less than the noise of one reading.
    for key in ("edp_mmhg", "p_min_mmhg"):
        assert np.mean([run[key] for run in runs]) == pytest.approx(clean[key].mean, abs=0.5), key


@pytest.mark.parametrize("key", ["tau_exponential_ms", "tau_logistic_ms"])
def test_free_asymptote_is_unbiased_within_its_own_error(made: dict[str, Made], key: str) -> None:
    recording = made["breathing"]
    clean = analyse(recording.signals(), settings=UNTRIMMED).epochs[0].metrics[key].mean
    runs = [noisy_means(recording, seed) for seed in range(6)]
    found = np.array([run[key] for run in runs])
    assert found.mean() == pytest.approx(clean, rel=0.05)


@pytest.mark.parametrize("rate_hz", [1000, 250])
def test_slopes_and_volumes_at_other_rates_of_heart_and_sampling(rate_hz: int) -> None:
    """Hum of the volumes is taken out too; a beat's own noise has no part in where its slope is read."""
    rng = np.random.default_rng(7)
    plans = [plan(rng, 40.0, rate_per_min=rate, breathing=0.05, exchange_ml=6) for rate in (72, 100, 140)]
    step = 1000 // rate_hz
    for recording in make(plans, 40.0):
        whole = analyse(recording.signals(ecg=False), settings=UNTRIMMED).epochs[0].metrics
        runs = []
        for seed in range(2):
            noise = np.random.default_rng(seed)
            hum = np.sin(2 * np.pi * 50.02 * np.arange(recording.pressure.size) / 1000 + 0.7)
            pressure = recording.pressure + hum + noise.standard_normal(hum.size)
            total = recording.total + hum + noise.standard_normal(hum.size)
            signals = PressureVolumeSignals(float(rate_hz), pressure[::step], volume_ml=total[::step])
            runs.append(analyse(signals, settings=UNTRIMMED).epochs[0].metrics)
        for key in ("dpdt_max_mmhg_per_s", "dpdt_min_mmhg_per_s", "edv_ml", "esv_ml", "stroke_work_mmhg_ml"):
            assert np.mean([run[key].mean for run in runs]) == pytest.approx(whole[key].mean, rel=0.02), key
