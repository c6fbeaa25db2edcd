"""Clipped, flat and lost channels of every kind, jitter of the clock, and segments that make no sense, are named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, analyse
from procedures.haemodynamics.channels.faults import ChannelFaults
from procedures.haemodynamics.channels.plausibility import _segment_notes
from procedures.haemodynamics.channels.timing_jitter import _timing_jitter_s, _timing_notes
from tests.procedures.haemodynamics.generator import Made

NAMES = ("steady", "breathing", "slow", "fastest")


def said(x: np.ndarray, rate: float = 1000.0) -> set[str]:
    watch = ChannelFaults("x", rate)
    for part in np.array_split(x, 3):
        watch.add(part)
    return {note.code for note in watch.notes()}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_clipped_volume_is_named_and_a_whole_one_is_not(made: dict[str, Made], name: str, noise: float) -> None:
    clean = made[name].total
    volume = clean + noise * np.random.default_rng(1).standard_normal(clean.size)
    stroke = np.ptp(clean)
    # without noise a slow heart's volume rests for half a second, which is flat indeed
    assert "clipped" not in said(volume) | said(volume[::4], 250.0)
    assert "clipped" in said(np.minimum(volume, clean.max() - 0.25 * stroke))
    assert "clipped" in said(np.maximum(volume, clean.min() + 0.25 * stroke))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_clipped_pressure_is_named_and_a_whole_one_is_not(made: dict[str, Made], name: str, noise: float) -> None:
    clean = made[name].pressure
    pressure = clean + noise * np.random.default_rng(2).standard_normal(clean.size)
    assert said(pressure) == set()
    assert "clipped" in said(np.minimum(pressure, clean.max() - 5))


def test_stroke_volume_of_a_clipped_volume_comes_with_a_warning(made: dict[str, Made]) -> None:
    recording = made["breathing"]
    cut = np.minimum(recording.total, np.quantile(recording.total, 0.99) - 0.25 * np.ptp(recording.total))
    result = analyse(PressureVolumeSignals(1000.0, recording.pressure, volume_ml=cut))
    whole = analyse(PressureVolumeSignals(1000.0, recording.pressure, volume_ml=recording.total))
    assert result.epochs[0].metrics["sv_ml"].mean < 0.85 * whole.epochs[0].metrics["sv_ml"].mean
    (note,) = (note for note in result.quality if note.code == "clipped")
    assert note.channel == "V_LV"
    assert note.severity == "warning"


def test_fault_of_each_channel_carries_its_name(made: dict[str, Made]) -> None:
    signals = made["breathing"].signals(np.random.default_rng(3), noise=0.5)
    assert signals.segments_ml is not None
    assert signals.ecg_mv is not None
    segments, leads = signals.segments_ml.copy(), signals.ecg_mv.copy()
    segments[1, 9000:9800] = np.nan
    segments[3] = np.minimum(segments[3], np.quantile(segments[3], 0.7))
    leads[1] = 0.0
    breath = np.sin(2 * np.pi * np.arange(signals.size) / 4000)
    breath[20_000:26_000] = breath[20_000]
    faulty = replace(
        signals, segments_ml=segments, ecg_mv=leads, ecg_labels=("ECG_I", "ECG_II", "ECG_V1"), respiration=breath
    )
    found = {(note.code, note.channel) for note in analyse(faulty).quality}
    assert {("gaps", "V_2"), ("clipped", "V_4"), ("flat", "ECG_II"), ("flat", "RESP")} <= found
    assert not {channel for code, channel in found if code in ("flat", "clipped", "gaps")} & {"P_LV", "ECG_I", "V_1"}


@pytest.mark.parametrize("rate", [1000.0, 250.0])
@pytest.mark.parametrize("name", NAMES)
def test_jitter_is_measured_and_an_even_clock_is_not_blamed(made: dict[str, Made], name: str, rate: float) -> None:
    rng = np.random.default_rng(4)
    pressure = made[name].pressure
    time_s = np.arange(pressure.size) / 1000
    grid = time_s[:: int(1000 / rate)]
    for even in (pressure, pressure + rng.standard_normal(pressure.size), np.round(pressure * 2) / 2):
        assert _timing_notes(even[:: int(1000 / rate)], rate) == []
    late = np.interp(grid + rng.normal(0, 0.001, grid.size), time_s, pressure) + rng.normal(0, 0.3, grid.size)
    assert 1000 * _timing_jitter_s(late, rate) == pytest.approx(1.0, abs=0.25)
    assert [note.code for note in _timing_notes(late, rate)] == ["timing_jitter"]


def test_segments_that_make_no_sense_are_asked_about() -> None:
    beat = 1 + 0.25 * np.cos(np.linspace(0, 60, 2000))

    def found(*sizes: float) -> set[tuple[str, str | None]]:
        return {(note.code, note.channel) for note in _segment_notes(np.outer(sizes, beat))}

    assert found(20, 35, 45, 40, 30) == set()
    assert found(20, 35, 12, 40, 30) == {("segment_order", "V_3")}
    assert found(60, 45, 40, 35, 20) == {("segment_order", "V_1")}
    assert found(20, 300, 45, 40, 30) == {("segment_implausible", "V_2")}
    assert found(-20, 35, 45, 40, 30) == {("segment_negative", "V_1"), ("segment_out_of_phase", "V_1")}
