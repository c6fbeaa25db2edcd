"""Beats are found, and only beats: rates, rhythms, and faults of signal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from procedures.haemodynamics import PressureVolumeSignals, analyse
from procedures.haemodynamics.beats.r_waves import _find_r_waves
from tests.procedures.haemodynamics.generator import Made


def true_starts(recording: Made) -> np.ndarray:
    times = recording.plan.r_wave_s
    return times[(times > 0.05) & (times < 39.5)]


def agreement(found: np.ndarray, truth: np.ndarray, tolerance_s: float) -> tuple[int, int]:
    """How many true times were missed, and how many found ones are not true."""
    apart = np.abs(truth[:, None] - found)
    inner = found[(found > truth[0] - 0.1) & (found < truth[-1] + 0.1)]
    return int((apart.min(axis=1) > tolerance_s).sum()), int(
        (np.abs(inner[:, None] - truth).min(axis=1) > tolerance_s).sum()
    )


@pytest.mark.parametrize("name", ["slow", "steady", "breathing", "fast", "fastest", "ectopic", "fibrillation"])
def test_r_waves_are_found_despite_spikes_and_noise(made: dict[str, Made], name: str) -> None:
    signals = made[name].signals(np.random.default_rng(3), noise=1.0, hum=0.5)
    assert signals.ecg_mv is not None
    found = _find_r_waves(signals.ecg_mv, 1000.0) / 1000
    assert agreement(found, true_starts(made[name]), 0.05) == (0, 0)


@pytest.mark.parametrize("name", ["slow", "steady", "fast", "fastest", "ectopic", "fibrillation"])
@pytest.mark.parametrize("ecg", [True, False])
def test_every_beat_is_found(made: dict[str, Made], name: str, ecg: bool) -> None:
    result = analyse(made[name].signals(np.random.default_rng(4), noise=1.0, ecg=ecg))
    late = 0.0 if ecg else float(np.median(result.beats.time_s[:20] - _nearest(made[name], result.beats.time_s[:20])))
    truth = true_starts(made[name])[1:-2]
    assert agreement(result.beats.time_s - late, truth, 0.08) == (0, 0)


def _nearest(recording: Made, times: np.ndarray) -> np.ndarray:
    truth = recording.plan.r_wave_s
    return truth[np.abs(times[:, None] - 0.08 - truth).argmin(axis=1)]


def changed(recording: Made, pressure: np.ndarray, ecg: bool = True) -> PressureVolumeSignals:
    return PressureVolumeSignals(
        1000.0, pressure, segments_ml=recording.segments, ecg_mv=recording.ecg if ecg else None
    )


@pytest.mark.parametrize("ecg", [True, False])
def test_knocks_on_the_catheter_are_no_beats(made: dict[str, Made], ecg: bool) -> None:
    recording = made["steady"]
    pressure = recording.pressure.copy()
    for start in range(1100, 39000, 1700):
        pressure[start : start + 25] += 15 * np.hanning(25)
    result = analyse(changed(recording, pressure, ecg))
    assert len(result.beats) == len(analyse(recording.signals(ecg=ecg)).beats)


def test_ringing_and_damped_catheters_keep_their_beats(made: dict[str, Made]) -> None:
    recording = made["ectopic"]
    usual = len(analyse(recording.signals(ecg=False)).beats)
    for natural_hz, damping in ((18.0, 0.15), (6.0, 1.0)):
        w = 2 * np.pi * natural_hz
        b, a = signal.bilinear([w * w], [1, 2 * damping * w, w * w], 1000)
        first = recording.pressure[0]
        pressure = signal.lfilter(b, a, recording.pressure - first) + first
        assert len(analyse(changed(recording, pressure, ecg=False)).beats) == usual


def test_beats_with_lost_signal_are_refused_and_short_gaps_bridged(made: dict[str, Made]) -> None:
    recording = made["steady"]
    pressure = recording.pressure.copy()
    pressure[15000:16500] = np.nan
    pressure[25000:25010] = np.nan
    beats = analyse(changed(recording, pressure)).beats
    lost = beats.refused == "signal_lost"
    overlap = (beats.time_s < 16.5) & (beats.end_s > 15.1)
    assert lost[overlap].all()
    assert not lost[(beats.time_s < 25.0) & (beats.end_s > 25.01)].any()
    assert lost.sum() <= overlap.sum() + 1


def test_fibrillation_is_noted_and_not_refused(made: dict[str, Made]) -> None:
    result = analyse(made["fibrillation"].signals(np.random.default_rng(5), noise=1.0))
    assert "rhythm_irregular" in {note.code for note in result.quality}
    assert not np.isin(result.beats.refused, ["ectopic", "post_ectopic"]).any()
    assert result.epochs[0].beats_used > 0.8 * len(result.beats)


@pytest.mark.parametrize("samples", [0, 1, 3, 40, 700, 2500])
def test_short_recordings_give_an_answer(made: dict[str, Made], samples: int) -> None:
    recording = made["steady"]
    signals = PressureVolumeSignals(
        1000.0,
        recording.pressure[:samples],
        segments_ml=recording.segments[:, :samples],
        ecg_mv=recording.ecg[:, :samples],
    )
    result = analyse(signals)
    assert len(result.epochs) == 1
    if len(result.beats) == 0:
        assert "no_beats" in {note.code for note in result.quality}


@pytest.mark.parametrize("kind", ["flat", "missing", "noise"])
def test_signals_without_a_heart_beat_give_no_metric(kind: str) -> None:
    rng = np.random.default_rng(6)
    pressure = {"flat": np.full(20000, 5.0), "missing": np.full(20000, np.nan), "noise": rng.normal(0, 1, 20000)}[kind]
    result = analyse(PressureVolumeSignals(1000.0, pressure, volume_ml=rng.normal(0, 1, 20000)))
    assert result.epochs[0].beats_used == 0
    assert result.epochs[0].metrics == {}
    assert any(note.severity == "error" for note in result.quality)
