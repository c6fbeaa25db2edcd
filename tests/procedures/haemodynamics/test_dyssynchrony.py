"""Dyssynchrony, internal flow and dispersion: closed forms, clean recordings by brute force, bias under noise."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, Settings, analyse, analyse_segments
from procedures.haemodynamics.beat_metrics.dispersion import _best_lag_ms, _lag_correlation, dispersion_ms
from procedures.haemodynamics.beat_metrics.dyssynchrony import (
    _average_neighbours,
    dyssynchrony_percent,
    internal_flow_percent,
)
from procedures.haemodynamics.conditioning.segments import SegmentTraces
from tests.procedures.haemodynamics.generator import Made

UNTRIMMED = Settings(whole_breaths=False)


def by_definition(recording: Made, start_s: np.ndarray, stop_s: np.ndarray) -> tuple[float, float]:
    """Dyssynchrony and internal flow, percent, from plain differences of the segments without noise."""
    slopes = np.gradient(recording.segments, axis=1)
    total = slopes.sum(axis=0)
    against, flow = slopes * total < -1e-12, (np.abs(slopes).sum(axis=0) - np.abs(total)) / 2
    rows = []
    for first, last in zip(np.round(start_s * 1000).astype(int), np.round(stop_s * 1000).astype(int), strict=True):
        beat = slice(first, last)
        rows.append((100 * against[:, beat].mean(), 100 * flow[beat].sum() / np.abs(total[beat]).sum()))
    return tuple(np.mean(rows, axis=0))


def test_segments_in_step_are_synchronous() -> None:
    total = np.sin(np.linspace(0, 6, 400))
    slopes = np.gradient(np.outer([0.2, 0.3, 0.5], total), axis=1)[:, None]
    assert dyssynchrony_percent(slopes).max() == 0
    assert internal_flow_percent(slopes)[0] == pytest.approx(0, abs=1e-9)


def test_sines_apart_by_a_phase_follow_the_closed_form() -> None:
    # Two equal sines d apart: each opposes their sum for d/(2·pi) of the time (its crossing is d/2 off, twice a cycle).
    phase = (np.arange(20000) + 0.5) / 20000 * 2 * np.pi
    for d in (0.3, 1.0):
        slopes = np.stack([np.sin(phase), np.sin(phase + d)])[:, None]
        np.testing.assert_allclose(dyssynchrony_percent(slopes)[:, 0], 100 * d / (2 * np.pi), atol=0.05)


def test_unequal_weights_count_time() -> None:
    slopes = np.array([[[1.0, -1.0]], [[1.0, 3.0]]])
    assert dyssynchrony_percent(slopes, np.array([[1.0, 3.0]]))[0, 0] == pytest.approx(75)


def test_slope_within_its_dead_band_is_synchronous() -> None:
    slopes = np.array([[[-1.0, -4.0]], [[10.0, 10.0]]])
    assert dyssynchrony_percent(slopes, dead_band=np.array([[[2.0]], [[2.0]]]))[0, 0] == pytest.approx(50)


def test_lag_of_shifted_segments_is_their_shift() -> None:
    time = np.arange(1500) / 250
    shifts = np.array([-0.04, 0.0, 0.04])
    volume = np.stack([np.cos(2 * np.pi * (time - shift)) for shift in shifts])
    traces = SegmentTraces(volume, 250.0, volume, 250.0, np.zeros(3), 50.0, False)
    lags = _best_lag_ms(_lag_correlation(traces, np.array([500.0]), np.array([580.0])))
    np.testing.assert_allclose(lags[:, 0], 1000 * shifts, atol=1.0)


def test_dispersion_is_twice_the_sample_deviation() -> None:
    assert dispersion_ms(np.array([[-10.0], [0.0], [10.0]]))[0] == pytest.approx(20)


def test_neighbours_are_averaged_within_their_group_only() -> None:
    slopes = np.arange(6, dtype=float).reshape(1, 6, 1)
    averaged, count = _average_neighbours(slopes, np.array([0, 0, 0, 1, -1, 1]), 3)
    np.testing.assert_allclose(averaged[0, :, 0], [0.5, 1, 1.5, 4, 4, 4])
    assert count.tolist() == [2, 3, 2, 2, 1, 2]


@pytest.mark.parametrize("name", ["steady", "synchronous", "delayed", "breathing"])
def test_clean_recording_within_one_point(made: dict[str, Made], name: str) -> None:
    recording = made[name]
    result = analyse(recording.signals(ecg=False), settings=UNTRIMMED)
    expected = by_definition(recording, result.beats.time_s, result.beats.end_s)
    metrics = result.epochs[0].metrics
    assert metrics["dyssynchrony_percent"].mean == pytest.approx(expected[0], abs=1)
    assert metrics["internal_flow_percent"].mean == pytest.approx(expected[1], abs=1)


@pytest.mark.parametrize("name", ["steady", "synchronous", "delayed", "breathing"])
def test_noise_shifts_it_by_less_than_two_points(made: dict[str, Made], name: str) -> None:
    recording = made[name]
    noisy = recording.signals(np.random.default_rng(2), noise=1.0, hum=0.5, ecg=False)
    result = analyse(noisy, settings=UNTRIMMED)
    clean = analyse(recording.signals(ecg=False), settings=UNTRIMMED)
    expected = by_definition(recording, clean.beats.time_s, clean.beats.end_s)
    metrics = result.epochs[0].metrics
    assert metrics["dyssynchrony_percent"].mean == pytest.approx(expected[0], abs=2)
    assert metrics["internal_flow_percent"].mean == pytest.approx(expected[1], abs=2)
    assert metrics["dispersion_ms"].mean == pytest.approx(clean.epochs[0].metrics["dispersion_ms"].mean, abs=4)


def test_each_segment_of_each_beat_adds_up_to_the_metric(made: dict[str, Made]) -> None:
    signals = made["delayed"].signals(ecg=False)
    result = analyse(signals, settings=UNTRIMMED)
    motion = analyse_segments(signals, result)
    assert motion.whole.shape == motion.systolic.shape == motion.diastolic.shape == (5, len(result.beats))
    np.testing.assert_allclose(motion.whole.mean(axis=0), result.beats.metrics["dyssynchrony_percent"])
    np.testing.assert_allclose(dispersion_ms(motion.lag_ms), result.beats.metrics["dispersion_ms"])
    low, high = np.minimum(motion.systolic, motion.diastolic), np.maximum(motion.systolic, motion.diastolic)
    assert ((low - 1e-9 <= motion.whole) & (motion.whole <= high + 1e-9)).all()
    # segments take part in the order in which they are delayed
    assert (np.diff(motion.lag_ms.mean(axis=1)[1:]) > 0).all()


def test_segments_of_a_recording_without_any_are_refused(made: dict[str, Made]) -> None:
    bare = PressureVolumeSignals(1000.0, made["steady"].pressure)
    with pytest.raises(ValueError, match="no segmental volumes"):
        analyse_segments(bare, analyse(bare))
