"""Conductances and uncorrected volumes under calibrations, and constants worked out from a stretch of the file."""

import json
from dataclasses import replace

import numpy as np
import pytest

from procedures.haemodynamics.conditioning.calibration import Calibration, CalibrationError
from procedures.pipeline import analyse_file
from procedures.pipeline.calibrating import alpha_from_stroke_volume, parallel_from_wash_in
from procedures.recordings import Channel, EpochMark, RecordingError

RHO, SPACING_CM = 150.0, 1.0
ALPHA, PARALLEL_ML = 0.8, 60.0
KNOWN = Calibration(RHO, SPACING_CM, ALPHA, PARALLEL_ML)


@pytest.fixture
def conductances(make_beats, save_csv):
    """Five conductances of the plain ventricle (EDV 180, ESV 120 mL); ``gain``: conductivity of blood over time."""

    def save(gain=1.0, count=5, **options):
        signals = make_beats(**options)
        true = signals.channels[1]
        raw = ALPHA * true.samples * gain + PARALLEL_ML
        # unequal shares, so that leaving one out shows
        shares = np.arange(1, count + 1) / np.arange(1, count + 1).sum()
        segments = tuple(
            Channel(f"G_{i + 1}", "mS", 1000.0, 1000 * share * raw / (RHO * SPACING_CM**2))
            for i, share in enumerate(shares)
        )
        return save_csv(replace(signals, channels=(signals.channels[0], *segments)))

    return save


def means(report, epoch=0):
    return {key: value["mean"] for key, value in report.as_dict()["epochs"][epoch]["metrics"].items()}


def test_conductances_become_the_volumes_they_were_made_from(conductances):
    report = analyse_file(conductances(), calibrations=[KNOWN])
    found = means(report)
    assert found["edv_ml"] == pytest.approx(180, rel=5e-3)
    assert found["esv_ml"] == pytest.approx(120, rel=5e-3)
    assert found["dyssynchrony_percent"] == pytest.approx(0, abs=1)
    codes = {note.code for note in report.quality}
    assert "calibrated" in codes
    assert not codes & {"not_calibrated", "no_volume", "no_segments"}


def test_settings_of_the_report_say_which_calibration_was_used(conductances):
    result = analyse_file(conductances(), calibrations=[KNOWN]).as_dict()
    (used,) = result["algorithm"]["settings"]["calibrations"]
    assert (used["alpha"], used["parallel_ml"], used["valid_from_s"]) == (ALPHA, PARALLEL_ML, None)
    json.dumps(result, allow_nan=False)


def test_total_volume_is_corrected_by_alpha_and_parallel_volume(make_beats, save_csv):
    path = save_csv(make_beats())
    found = means(analyse_file(path, calibrations=[Calibration(alpha=1.25, parallel_ml=30.0)]))
    assert found["edv_ml"] == pytest.approx((180 - 30) / 1.25, rel=5e-3)
    assert found["sv_ml"] == pytest.approx(60 / 1.25, rel=5e-3)


def test_segmental_volumes_are_corrected_and_one_is_left_out(make_beats, save_csv):
    path = save_csv(make_beats(segments=5))
    report = analyse_file(path, calibrations=[Calibration(parallel_ml=20.0, excluded=(5,))])
    assert report.signals.segment_count == 4
    assert means(report)["edv_ml"] == pytest.approx(180 * 4 / 5 - 20, rel=5e-3)


def test_each_calibration_holds_for_the_epochs_after_it(conductances):
    later = replace(KNOWN, alpha=ALPHA / 2, valid_from_s=15.0)
    marks = [EpochMark("before", 0, 15), EpochMark("after", 15, 30)]
    report = analyse_file(conductances(), epochs=marks, calibrations=[later, replace(KNOWN, valid_from_s=0.0)])
    assert means(report, 0)["sv_ml"] == pytest.approx(60, rel=5e-3)
    assert means(report, 1)["sv_ml"] == pytest.approx(120, rel=5e-3)


def test_before_the_first_calibration_there_is_no_volume_and_it_is_said(conductances):
    marks = [EpochMark("before", 0, 15), EpochMark("after", 15, 30)]
    report = analyse_file(conductances(), epochs=marks, calibrations=[replace(KNOWN, valid_from_s=15.0)])
    assert "sv_ml" not in means(report, 0)
    assert means(report, 1)["sv_ml"] == pytest.approx(60, rel=5e-3)
    assert any(note.code == "not_calibrated_yet" for note in report.quality)


@pytest.mark.parametrize(
    ("calibrations", "message"),
    [
        ([Calibration(alpha=0.8)], "electrode spacing and the blood resistivity"),
        ([KNOWN, replace(KNOWN, alpha=1.0)], "same moment"),
        ([KNOWN, replace(KNOWN, valid_from_s=9.0, excluded=(1,))], "leave out different segments"),
        ([replace(KNOWN, excluded=(1, 2, 3))], "2 segmental conductance"),
    ],
)
def test_calibrations_that_cannot_be_used_are_refused_in_words(conductances, calibrations, message):
    with pytest.raises(RecordingError, match=message):
        analyse_file(conductances(), calibrations=calibrations)


def test_calibration_without_anything_to_act_on_is_remarked(make_beats, save_csv):
    signals = make_beats()
    report = analyse_file(save_csv(replace(signals, channels=signals.channels[:1])), calibrations=[KNOWN])
    assert any(note.code == "calibration_unused" for note in report.quality)


def test_alpha_from_a_reference_stroke_volume(conductances):
    found = alpha_from_stroke_volume(conductances(), None, Calibration(RHO, SPACING_CM, 1.7, 5.0), (3, 25), 60.0)
    assert found.alpha == pytest.approx(ALPHA, rel=5e-3)
    assert 0 <= found.standard_error < 0.01
    assert 20 <= found.beats <= 28


def test_alpha_beyond_belief_is_refused(conductances):
    with pytest.raises(CalibrationError, match="check both stroke volumes"):
        alpha_from_stroke_volume(conductances(), None, KNOWN, (3, 25), 290.0)
    with pytest.raises(CalibrationError, match="usable beats"):
        alpha_from_stroke_volume(conductances(), None, KNOWN, (3, 4.5), 60.0)
    with pytest.raises(RecordingError, match="outside the recording"):
        alpha_from_stroke_volume(conductances(), None, KNOWN, (3, 99), 60.0)
    with pytest.raises(CalibrationError, match="at most 180 s"):
        alpha_from_stroke_volume(conductances(), None, KNOWN, (3, 999), 60.0)


def saline(seconds=30, rate=1000, rise=0.15):
    """Conductivity of blood during a bolus: steady, rising beat by beat for 10 s, washed out again."""
    time = np.arange(seconds * rate) / rate
    beat_start = 0.8 * np.floor(time / 0.8)
    return 1 + rise * np.interp(beat_start, [8, 18, 28], [0, 1, 0])


def test_parallel_volume_from_a_wash_in_of_known_parallel_volume(conductances):
    path = conductances(gain=saline())
    found = parallel_from_wash_in(path, None, Calibration(RHO, SPACING_CM), (4, 26))
    assert found.parallel_ml == pytest.approx(PARALLEL_ML, abs=1.5)
    assert 0 <= found.standard_error_ml < 3
    assert found.beats >= 8


def test_wash_in_without_a_rise_is_refused(conductances):
    with pytest.raises(CalibrationError, match="needed"):
        parallel_from_wash_in(conductances(), None, KNOWN, (4, 26))
