"""What must hold for any recording: scaling, shifting, resampling, noise, order of segments."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from procedures.haemodynamics import PressureVolumeSignals, Settings, analyse
from tests.procedures.haemodynamics.generator import Made

FEW = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
UNTRIMMED = Settings(whole_breaths=False)
PRESSURE = ("p_max_mmhg", "p_min_mmhg", "edp_mmhg", "esp_mmhg", "dpdt_max_mmhg_per_s", "dpdt_min_mmhg_per_s")
VOLUME = ("edv_ml", "esv_ml", "sv_ml")
UNCHANGED = ("heart_rate_per_min", "ef_percent", "cycle_efficiency", "dyssynchrony_percent", "internal_flow_percent")
# Bounds on the change from 1000 to 250 Hz, in percent; tau and dispersion in their own way below.
RESAMPLED_PERCENT = {
    "heart_rate_per_min": 0.1,
    "p_max_mmhg": 0.2,
    "edv_ml": 0.2,
    "esv_ml": 0.2,
    "sv_ml": 0.4,
    "ef_percent": 0.4,
    "stroke_work_mmhg_ml": 0.2,
    "dpdt_max_mmhg_per_s": 2.0,
    "dpdt_min_mmhg_per_s": 2.0,
    "esp_mmhg": 1.0,
    "ea_mmhg_per_ml": 1.0,
    "cycle_efficiency": 0.5,
    "tau_zero_asymptote_ms": 2.0,
}


def means(signals: PressureVolumeSignals) -> dict[str, float]:
    return {key: item.mean for key, item in analyse(signals, settings=UNTRIMMED).epochs[0].metrics.items()}


def built(recording: Made, pressure: float = 1.0, volume: float = 1.0, first: int = 0) -> PressureVolumeSignals:
    return PressureVolumeSignals(
        1000.0, recording.pressure[first:] * pressure, segments_ml=recording.segments[:, first:] * volume
    )


@FEW
@given(pressure=st.floats(0.6, 1.5), volume=st.floats(0.5, 1.6))
def test_scaled_signals_scale_their_metrics(made: dict[str, Made], pressure: float, volume: float) -> None:
    plain, scaled = means(built(made["steady"])), means(built(made["steady"], pressure, volume))
    for key in PRESSURE:
        assert scaled[key] == pytest.approx(plain[key] * pressure, rel=1e-6), key
    for key in VOLUME:
        assert scaled[key] == pytest.approx(plain[key] * volume, rel=1e-6), key
    for key in UNCHANGED:
        assert scaled[key] == pytest.approx(plain[key], rel=1e-6), key
    work = plain["stroke_work_mmhg_ml"] * pressure * volume
    assert scaled["stroke_work_mmhg_ml"] == pytest.approx(work, rel=1e-6)


@FEW
@given(first=st.integers(0, 900))
def test_later_start_leaves_the_beats_as_they_were(made: dict[str, Made], first: int) -> None:
    whole = analyse(built(made["steady"]), settings=UNTRIMMED).beats
    part = analyse(built(made["steady"], first=first), settings=UNTRIMMED).beats
    shared = min(len(whole), len(part)) - 3
    np.testing.assert_allclose(part.time_s[-shared:] + first / 1000, whole.time_s[-shared:], atol=0.002)
    for key in ("sv_ml", "dpdt_max_mmhg_per_s", "stroke_work_mmhg_ml"):
        np.testing.assert_allclose(part.metrics[key][-shared:], whole.metrics[key][-shared:], rtol=2e-3)


@pytest.mark.parametrize("name", ["steady", "breathing", "slow", "delayed"])
def test_a_quarter_of_the_samples_changes_little(made: dict[str, Made], name: str) -> None:
    recording = made[name]
    full = means(built(recording))
    fewer = means(PressureVolumeSignals(250.0, recording.pressure[::4], segments_ml=recording.segments[:, ::4]))
    for key, percent in RESAMPLED_PERCENT.items():
        assert fewer[key] == pytest.approx(full[key], rel=percent / 100), key
    assert fewer["dyssynchrony_percent"] == pytest.approx(full["dyssynchrony_percent"], abs=2)
    assert fewer["internal_flow_percent"] == pytest.approx(full["internal_flow_percent"], abs=1)
    assert fewer["dispersion_ms"] == pytest.approx(full["dispersion_ms"], abs=2)


@FEW
@given(order=st.permutations(range(5)))
def test_order_of_segments_does_not_matter_to_totals(made: dict[str, Made], order: list[int]) -> None:
    recording = made["delayed"]
    shuffled = PressureVolumeSignals(1000.0, recording.pressure, segments_ml=recording.segments[order])
    plain, mixed = means(built(recording)), means(shuffled)
    assert mixed.keys() == plain.keys()
    for key, value in plain.items():
        # rounding of the total may move one sign of a slope that is all but zero
        assert mixed[key] == pytest.approx(value, rel=1e-3, abs=0.05), key


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    pressure_noise=st.floats(0, 30),
    volume_noise=st.floats(0, 60),
    missing=st.floats(0, 0.3),
)
def test_noise_and_gaps_never_crash(
    made: dict[str, Made], seed: int, pressure_noise: float, volume_noise: float, missing: float
) -> None:
    rng, recording = np.random.default_rng(seed), made["ectopic"]
    pressure = recording.pressure + pressure_noise * rng.standard_normal(recording.pressure.size)
    segments = recording.segments + volume_noise * rng.standard_normal(recording.segments.shape)
    pressure[rng.random(pressure.size) < missing] = np.nan
    segments[:, rng.random(pressure.size) < missing / 5] = np.nan
    ecg = recording.ecg + 0.05 * volume_noise * rng.standard_normal(recording.ecg.shape)
    result = analyse(PressureVolumeSignals(1000.0, pressure, segments_ml=segments, ecg_mv=ecg))
    for summary in result.epochs:
        for item in summary.metrics.values():
            assert np.isfinite(item.mean)
            assert item.n <= summary.beats_used
            assert 0 < item.effective_n <= item.n
    assert set(np.unique(result.beats.refused)) <= {
        *("", "ectopic", "post_ectopic", "outlier", "noisy", "signal_lost"),
        *("incomplete", "out_of_range", "partial_breath"),
    }


@FEW
@given(seed=st.integers(0, 2**32 - 1), samples=st.integers(0, 3000), kind=st.sampled_from(["noise", "steps", "huge"]))
def test_any_signal_gives_an_answer(seed: int, samples: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    pressure = {
        "noise": rng.normal(50, 40, samples),
        "steps": np.repeat(rng.uniform(-20, 200, samples // 50 + 1), 50)[:samples],
        "huge": rng.normal(0, 1e12, samples),
    }[kind]
    result = analyse(PressureVolumeSignals(250.0, pressure, volume_ml=pressure[::-1].copy()))
    assert len(result.epochs) == 1
    assert len(result.beats) == result.beats.refused.size == result.beats.epoch.size
