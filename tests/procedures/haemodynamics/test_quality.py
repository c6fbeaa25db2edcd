"""Faults of the signals are named, and nothing is converted behind the reader's back."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, analyse
from tests.procedures.haemodynamics.generator import Made


def codes(signals: PressureVolumeSignals) -> set[tuple[str, str | None]]:
    return {(note.code, note.channel) for note in analyse(signals).quality}


def changed(recording: Made, **change: np.ndarray) -> PressureVolumeSignals:
    values = {"pressure_mmhg": recording.pressure, "segments_ml": recording.segments} | change
    return PressureVolumeSignals(1000.0, **values)


def test_clean_recording_has_no_warning(made: dict[str, Made]) -> None:
    assert [note for note in analyse(made["steady"].signals()).quality if note.severity != "info"] == []


def test_gap_flat_stretch_and_clipping_are_named(made: dict[str, Made]) -> None:
    recording = made["steady"]
    gap, flat = recording.pressure.copy(), recording.pressure.copy()
    gap[10000:11000] = np.nan
    flat[10000:12000] = flat[10000]
    assert ("gaps", "P_LV") in codes(changed(recording, pressure_mmhg=gap))
    assert ("flat", "P_LV") in codes(changed(recording, pressure_mmhg=flat))
    clipped = np.minimum(recording.pressure, 100.0)
    assert ("clipped", "P_LV") in codes(changed(recording, pressure_mmhg=clipped))


@pytest.mark.parametrize(("factor", "question"), [(1 / 7.50062, "kPa"), (0.01, "V"), (133.322, "Pa")])
def test_pressure_in_another_unit_is_asked_about_and_not_converted(
    made: dict[str, Made], factor: float, question: str
) -> None:
    result = analyse(changed(made["steady"], pressure_mmhg=made["steady"].pressure * factor))
    note = next(note for note in result.quality if note.code == "unit_doubt")
    assert question in note.message
    assert result.epochs[0].beats_used == 0


def test_volume_in_litres_is_asked_about_and_pressures_stand(made: dict[str, Made]) -> None:
    recording = made["steady"]
    result = analyse(changed(recording, segments_ml=recording.segments / 1000))
    assert any(note.code == "unit_doubt" and note.channel == "V_LV" for note in result.quality)
    metrics = result.epochs[0].metrics
    assert "dpdt_max_mmhg_per_s" in metrics
    assert not {"sv_ml", "edv_ml", "ef_percent", "stroke_work_mmhg_ml"} & metrics.keys()


def test_drift_and_zero_shift_of_pressure_are_named(made: dict[str, Made]) -> None:
    recording = made["steady"]
    drifting = recording.pressure + np.linspace(0, 12, recording.pressure.size)
    assert ("pressure_drift", "P_LV") in codes(changed(recording, pressure_mmhg=drifting))
    assert ("zero_shift", "P_LV") in codes(changed(recording, pressure_mmhg=recording.pressure - 30))


def test_odd_segments_are_named(made: dict[str, Made]) -> None:
    recording = made["steady"]
    opposite = recording.segments.copy()
    opposite[4] = 60 - opposite[4]
    assert ("segment_out_of_phase", "V_5") in codes(changed(recording, segments_ml=opposite))
    still = recording.segments.copy()
    still[0] = 12 + 0.001 * np.random.default_rng(1).standard_normal(still.shape[1])
    assert ("segment_still", "V_1") in codes(changed(recording, segments_ml=still))
    reverse = recording.segments * np.array([2.5, 1, 1, 1, 0.6])[:, None]
    assert ("segment_order", "V_1") in codes(changed(recording, segments_ml=reverse))


def test_mains_hum_is_noted_and_taken_out(made: dict[str, Made]) -> None:
    recording = made["steady"]
    clean = analyse(recording.signals()).epochs[0].metrics["dpdt_max_mmhg_per_s"].mean
    hummed = analyse(recording.signals(hum=1.0))
    assert "mains" in {note.code for note in hummed.quality}
    assert hummed.epochs[0].metrics["dpdt_max_mmhg_per_s"].mean == pytest.approx(clean, rel=0.01)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"sample_rate_hz": 50.0, "pressure_mmhg": np.zeros(10)}, "sample rate"),
        ({"sample_rate_hz": float("nan"), "pressure_mmhg": np.zeros(10)}, "sample rate"),
        ({"sample_rate_hz": 250.0, "pressure_mmhg": np.zeros((2, 5))}, "one row"),
        ({"sample_rate_hz": 250.0, "pressure_mmhg": np.zeros(10), "volume_ml": np.zeros(9)}, "does not fit"),
        ({"sample_rate_hz": 250.0, "pressure_mmhg": np.zeros(10), "segments_ml": np.zeros((2, 10))}, "3 to 7"),
    ],
)
def test_signals_that_do_not_fit_are_refused(values: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        PressureVolumeSignals(**values)  # type: ignore[arg-type] # wrong on purpose
