"""Epochs: which beats they hold, settling, whole breaths, choices made by hand, and what is said of each."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np
import pytest

from procedures.haemodynamics import EpochWindow, PressureVolumeSignals, Settings, analyse, loops
from procedures.haemodynamics.epochs.breathing import _dominant_period_s, _from_beats, _sine_share, _whole_breaths
from tests.procedures.haemodynamics.generator import Made

UNTRIMMED = Settings(whole_breaths=False)


def test_no_epochs_make_the_whole_record_one(made: dict[str, Made]) -> None:
    result = analyse(made["steady"].signals())
    assert [summary.label for summary in result.epochs] == ["all"]
    assert (result.epochs[0].start_s, result.epochs[0].end_s) == (0, 40)
    assert (result.beats.epoch == 0).all()
    assert "settling" not in result.epochs[0].beats_refused


def test_beats_across_a_border_belong_to_none(made: dict[str, Made]) -> None:
    windows = [EpochWindow("baseline", 0.0, 15.3), EpochWindow("site:1", 15.3, 30.1)]
    beats = analyse(made["steady"].signals(), windows).beats
    for index, window in enumerate(windows):
        inside = (beats.time_s >= window.start_s) & (beats.end_s <= window.end_s)
        assert (beats.epoch == index).tolist() == inside.tolist()
    assert (beats.epoch == -1).any()


def test_settling_counts_only_for_an_epoch_within_the_recording(made: dict[str, Made]) -> None:
    windows = [EpochWindow("first", 0.0, 15.0), EpochWindow("second", 15.0, 30.0)]
    signals = made["steady"].signals()
    first, second = analyse(signals, windows, UNTRIMMED).epochs
    assert "settling" not in first.beats_refused
    assert second.beats_refused["settling"] == 2
    longer = analyse(signals, windows, Settings(whole_breaths=False, settling_s=4.0)).epochs[1]
    assert longer.beats_refused["settling"] in (4, 5)
    none = analyse(signals, windows, Settings(whole_breaths=False, settling_beats=0)).epochs[1]
    assert "settling" not in none.beats_refused


def test_epoch_of_eight_beats_works(made: dict[str, Made]) -> None:
    result = analyse(made["breathing"].signals(), [EpochWindow("short", 10.0, 17.2)])
    summary = result.epochs[0]
    assert 5 <= summary.beats_used <= 8
    assert summary.metrics["sv_ml"].n == summary.beats_used
    assert any(note.code == "few_breaths" and note.epoch == "short" for note in result.quality)
    assert "partial_breath" not in summary.beats_refused


@pytest.mark.parametrize(
    "windows",
    [
        [EpochWindow("a", 0, 10), EpochWindow("b", 9, 20)],
        [EpochWindow("a", 50, 60)],
        [EpochWindow("a", -5, -1)],
    ],
)
def test_epochs_that_cannot_be_are_refused_by_name(made: dict[str, Made], windows: list[EpochWindow]) -> None:
    with pytest.raises(ValueError, match="Epoch"):
        analyse(made["steady"].signals(), windows)


def test_epoch_window_must_end_after_it_starts() -> None:
    with pytest.raises(ValueError, match="must end after it starts"):
        EpochWindow("x", 3.0, 3.0)


def test_epoch_without_beats_is_said(made: dict[str, Made]) -> None:
    result = analyse(made["steady"].signals(), [EpochWindow("tiny", 10.0, 10.5)])
    assert result.epochs[0].beats_used == 0
    assert result.epochs[0].metrics == {}
    assert any(note.code == "no_beats" and note.epoch == "tiny" for note in result.quality)


def test_whole_breaths_are_kept_and_the_rest_named(made: dict[str, Made]) -> None:
    recording = made["breathing"]
    result = analyse(recording.signals())
    note = next(note for note in result.quality if note.code == "breathing")
    period = 60 / float(note.message.split()[1].split("/")[0])
    assert period == pytest.approx(recording.plan.breath_s, rel=0.02)
    used = result.beats.used(0)
    breaths = (result.beats.end_s[used][-1] - result.beats.time_s[used][0]) / recording.plan.breath_s
    assert breaths == pytest.approx(round(breaths), abs=0.15)
    assert "no_breathing" in {note.code for note in analyse(made["steady"].signals()).quality}


def test_breathing_channel_comes_first(made: dict[str, Made]) -> None:
    recording = made["steady"]
    wave = np.sin(2 * np.pi * np.arange(recording.pressure.size) / 4200)
    signals = PressureVolumeSignals(1000.0, recording.pressure, volume_ml=recording.total, respiration=wave)
    note = next(note for note in analyse(signals).quality if note.code == "breathing")
    assert "14.3/min" in note.message
    assert "respiration channel" in note.message


@pytest.mark.parametrize("seed", range(8))
def test_noise_is_not_taken_for_breathing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.normal(0.8, 0.02, 60))
    assert _dominant_period_s(time, rng.standard_normal(60), 0.55) is None


@pytest.mark.parametrize("swing_percent", [0.02, 0.1, 5.0])
def test_swing_too_small_to_matter_is_no_breathing(swing_percent: float) -> None:
    # sampling at 250 Hz beats against a paced heart: a regular swing, and so small that it moves no mean
    time = np.arange(0, 60, 60 / 140)
    value = 200 * (1 + swing_percent / 100 * np.sin(2 * np.pi * time / 4))
    found = _from_beats(time, [value], [0.004 * 200])
    assert (found is not None) == (swing_percent > 1)


def test_cut_to_whole_breaths() -> None:
    start = np.arange(12.0)
    long_enough, keep = _whole_breaths(start, start + 1, 5.0, 2)
    assert long_enough
    assert keep.tolist() == [True] * 10 + [False] * 2
    assert _whole_breaths(start, start + 1, 8.0, 2)[0] is False


def test_choices_by_hand_stand(made: dict[str, Made]) -> None:
    signals = made["ectopic"].signals()
    beats = analyse(signals).beats
    ectopic, fine = int(np.flatnonzero(beats.refused == "ectopic")[0]), int(np.flatnonzero(beats.refused == "")[0])
    choices = {float(beats.time_s[ectopic]): True, float(beats.time_s[fine]): False, 39.99: True}
    result = analyse(signals, overrides=choices)
    assert result.beats.refused[ectopic] == ""
    assert result.beats.refused[fine] == "by_hand"
    assert result.epochs[0].beats_refused["by_hand"] == 1
    assert "override_unmatched" in {note.code for note in result.quality}


def test_start_of_recording_shifts_times_only(made: dict[str, Made]) -> None:
    recording = made["steady"]
    at_zero = PressureVolumeSignals(1000.0, recording.pressure, volume_ml=recording.total)
    later = PressureVolumeSignals(1000.0, recording.pressure, volume_ml=recording.total, start_s=100.0)
    first, second = analyse(at_zero), analyse(later)
    np.testing.assert_allclose(second.beats.time_s - 100, first.beats.time_s)
    np.testing.assert_array_equal(second.beats.metrics["sv_ml"], first.beats.metrics["sv_ml"])
    assert second.epochs[0].start_s == 100.0


def test_pressure_alone_gives_pressure_metrics_and_says_why_not_more(made: dict[str, Made]) -> None:
    result = analyse(PressureVolumeSignals(1000.0, made["steady"].pressure))
    metrics = result.epochs[0].metrics
    pressures = {"heart_rate_per_min", "p_max_mmhg", "p_min_mmhg", "edp_mmhg", "esp_mmhg", "dpdt_max_mmhg_per_s"}
    assert pressures <= metrics.keys()
    assert {"tau_exponential_ms", "tau_zero_asymptote_ms", "tau_logistic_ms"} <= metrics.keys()
    assert not {"sv_ml", "stroke_work_mmhg_ml", "dyssynchrony_percent"} & metrics.keys()
    reasons = {note.code: note.message for note in result.quality}
    assert "stroke_work_mmhg_ml" in reasons["no_volume"]
    assert "dyssynchrony_percent" in reasons["no_segments"]


def test_average_loop_lies_within_the_beats(made: dict[str, Made]) -> None:
    signals = made["steady"].signals()
    result = analyse(signals)
    volume, pressure, segments = loops(signals, result, 0, points=51)
    assert volume.shape == pressure.shape == (51,)
    assert segments is not None
    assert segments.shape == (5, 51)
    np.testing.assert_allclose(segments.sum(axis=0), volume)
    assert np.ptp(volume) == pytest.approx(result.epochs[0].metrics["sv_ml"].mean, rel=0.03)
    assert volume[0] == pytest.approx(volume[-1], abs=1e-9)
    assert pressure[0] == pytest.approx(pressure[-1], abs=1e-9)


def test_average_loop_of_an_epoch_without_beats_is_empty(made: dict[str, Made]) -> None:
    signals = made["steady"].signals()
    result = analyse(signals, [EpochWindow("tiny", 10.0, 10.5)])
    volume, pressure, segments = loops(signals, result, 0)
    assert volume.size == pressure.size == 0
    assert segments is None


def test_settings_go_through_json() -> None:
    restored = Settings(**json.loads(json.dumps(asdict(Settings(settling_beats=4)))))
    assert restored == Settings(settling_beats=4)


@pytest.mark.parametrize(
    "wrong",
    [
        {"volume_bandwidth_hz": 0.0},
        {"settling_beats": -1},
        {"onset_fraction": 1.5},
        {"end_diastole": "somewhere"},
        {"noise_ratio": float("nan")},
        {"derivative_bandwidth_hz": -3.0},
    ],
)
def test_impossible_settings_are_refused_by_name(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Settings(**wrong)  # type: ignore[arg-type] # wrong on purpose


def test_r_wave_as_end_diastole_needs_no_upstroke(made: dict[str, Made]) -> None:
    signals = made["steady"].signals()
    at_r = analyse(signals, settings=Settings(end_diastole="r_wave")).epochs[0].metrics["edp_mmhg"].mean
    marks = made["steady"].plan.r_wave_s
    samples = np.round(marks[(marks > 1) & (marks < 38)] * 1000).astype(int)
    assert at_r == pytest.approx(made["steady"].pressure[samples].mean(), abs=0.3)


def test_share_of_a_sine_is_that_of_least_squares() -> None:
    """By definition: a line is taken off, then sine, cosine and mean are fitted together at each frequency."""
    rng = np.random.default_rng(4)
    time = np.sort(rng.uniform(300.0, 340.0, 45))
    value = 80.0 + 0.05 * time + 1.5 * np.sin(2 * np.pi * 0.23 * time) + rng.normal(0, 1.0, time.size)
    frequency = np.array([0.12, 0.23, 0.31, 0.58])
    line = np.stack([np.ones_like(time), time], axis=1)
    rest = value - line @ np.linalg.lstsq(line, value, rcond=None)[0]
    expected = []
    for one in frequency:
        angle = 2 * np.pi * one * time
        design = np.stack([np.ones_like(time), np.sin(angle), np.cos(angle)], axis=1)
        left = rest - design @ np.linalg.lstsq(design, rest, rcond=None)[0]
        expected.append(1 - (left @ left) / (rest @ rest))
    np.testing.assert_allclose(_sine_share(time, value, frequency), expected, atol=1e-9)
    assert not _sine_share(time, np.zeros_like(time), frequency).any()
