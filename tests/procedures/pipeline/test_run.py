import json
from dataclasses import replace

import numpy as np
import pytest

from procedures.haemodynamics import Settings
from procedures.metrics import BY_KEY
from procedures.pipeline import analyse_file
from procedures.recordings import Annotation, Channel, EpochMark, RecordingError, write_edf


def codes(report):
    return {note["code"] for note in report["quality"]}


def test_report_has_the_keys_of_the_contract(make_beats, save_csv):
    report = analyse_file(save_csv(make_beats(segments=5, ecg=True))).as_dict(beats=True)
    assert list(report) == ["file", "algorithm", "epochs", "quality", "beats"]
    assert {"sha256", "format", "duration_s", "channels"} <= set(report["file"])
    assert {"label", "role", "unit", "sample_rate_hz"} == set(report["file"]["channels"][0])
    assert {"version", "settings"} == set(report["algorithm"])
    (epoch,) = report["epochs"]
    assert {
        "label",
        "start_s",
        "end_s",
        "beats_used",
        "beats_refused",
        "metrics",
        "rhythm",
        "rhythm_remark",
        "rhythm_limits",
    } == set(epoch)
    assert (epoch["label"], epoch["start_s"], epoch["end_s"]) == ("all", 0.0, 30.0)
    assert set(epoch["metrics"]) <= set(BY_KEY)
    assert {"mean", "sd", "n"} <= set(epoch["metrics"]["sv_ml"])
    assert {"epoch", "time_s", "refused", "metrics"} <= set(report["beats"][0])
    json.dumps(report, allow_nan=False)


def test_values_of_a_closed_form_loop_come_out(make_beats, save_csv):
    (epoch,) = analyse_file(save_csv(make_beats())).as_dict()["epochs"]
    metrics = {key: value["mean"] for key, value in epoch["metrics"].items()}
    assert metrics["heart_rate_per_min"] == pytest.approx(75, rel=1e-3)
    assert metrics["edv_ml"] == pytest.approx(180, rel=5e-3)
    assert metrics["esv_ml"] == pytest.approx(120, rel=5e-3)
    assert metrics["sv_ml"] == pytest.approx(60, rel=5e-3)
    assert metrics["ef_percent"] == pytest.approx(100 / 3, rel=5e-3)
    assert epoch["beats_used"] >= 35


def test_metric_that_cannot_be_computed_is_absent_and_said(make_beats, save_csv):
    signals = make_beats()
    report = analyse_file(save_csv(replace(signals, channels=signals.channels[:1]))).as_dict()
    metrics = report["epochs"][0]["metrics"]
    assert "dpdt_max_mmhg_per_s" in metrics
    assert "sv_ml" not in metrics
    assert any("sv_ml" in note["message"] for note in report["quality"])


def test_conductances_without_calibration_give_no_volumes_and_say_so(make_beats, save_csv):
    signals = make_beats()
    conductances = tuple(Channel(f"G_{i}", "mS", 1000.0, signals.channels[1].samples / 90) for i in range(1, 6))
    report = analyse_file(save_csv(replace(signals, channels=(signals.channels[0], *conductances)))).as_dict()
    assert "not_calibrated" in codes(report)
    assert "edv_ml" not in report["epochs"][0]["metrics"]


def test_epochs_come_from_the_table_before_the_annotations(make_beats, tmp_path):
    signals = replace(make_beats(), annotations=(Annotation(0, None, "baseline"), Annotation(15, None, "site:A")))
    write_edf(tmp_path / "a.edf", signals)
    marked = analyse_file(tmp_path / "a.edf").as_dict(beats=True)
    assert [(e["label"], e["start_s"], e["end_s"]) for e in marked["epochs"]] == [
        ("baseline", 0.0, 15.0),
        ("site:A", 15.0, 30.0),
    ]
    assert {beat["epoch"] for beat in marked["beats"]} >= {"baseline", "site:A"}
    (tmp_path / "e.csv").write_text("label,start_s,end_s\nsite:B,16,30\nbaseline,0,8\nbaseline,8,16\n")
    table = analyse_file(tmp_path / "a.edf", epochs_csv=tmp_path / "e.csv").as_dict()
    assert [e["label"] for e in table["epochs"]] == ["baseline", "baseline", "site:B"]
    by_hand = analyse_file(tmp_path / "a.edf", epochs=[EpochMark("site:C", 2, 20)]).as_dict()
    assert [e["label"] for e in by_hand["epochs"]] == ["site:C"]


def test_annotations_that_mark_nothing_are_mentioned(make_beats, tmp_path):
    write_edf(tmp_path / "a.edf", replace(make_beats(), annotations=(Annotation(5, None, "sheath out"),)))
    report = analyse_file(tmp_path / "a.edf").as_dict()
    assert [e["label"] for e in report["epochs"]] == ["all"]
    assert "no_epoch_marks" in codes(report)


def test_time_axis_of_the_file_is_that_of_epochs_and_beats(make_beats, save_csv, tmp_path):
    path = save_csv(make_beats(), start_s=100.0)
    (tmp_path / "e.csv").write_text("label,start_s,end_s\nbaseline,105,120\n")
    report = analyse_file(path, epochs_csv=tmp_path / "e.csv").as_dict(beats=True)
    assert report["epochs"][0]["start_s"] == 105.0
    assert report["beats"][0]["time_s"] >= 100.0
    (tmp_path / "e.csv").write_text("label,start_s,end_s\nbaseline,5,20\n")
    with pytest.raises(RecordingError, match="from 100 to 130 s"):
        analyse_file(path, epochs_csv=tmp_path / "e.csv")


def test_channels_are_mapped_and_the_rest_named(make_beats, save_csv):
    marker = Channel("Marker", "V", 1000.0, np.zeros(30_000))
    path = save_csv(make_beats(extra=(marker,)), rename={"P_LV": "Press 1", "V_LV": "Vol total"})
    with pytest.raises(RecordingError, match=r"'Press 1'.*--map P_LV=LABEL"):
        analyse_file(path)
    report = analyse_file(path, {"P_LV": "Press 1", "V_LV": "Vol total"}).as_dict()
    assert [c["role"] for c in report["file"]["channels"]] == ["P_LV", "V_LV", None]
    note = next(n for n in report["quality"] if n["code"] == "not_recognised")
    assert "'Marker'" in note["message"]


def test_engine_notes_speak_of_the_labels_of_the_file(make_beats, save_csv):
    signals = make_beats(segments=5)
    channels = list(signals.channels)
    channels[2] = replace(channels[2], samples=-channels[2].samples)
    # segments 2 to 6: the engine's second is the file's third
    rename = {f"V_{n}": f"V_{n + 1}" for n in range(1, 6)}
    report = analyse_file(save_csv(replace(signals, channels=tuple(channels)), rename=rename)).as_dict()
    assert any(n["channel"] == "V_3" and n["code"].startswith("segment") for n in report["quality"])


@pytest.mark.parametrize(
    ("labels", "code"), [(("V_1", "V_2", "V_4"), "segment_missing"), (("V_1", "V_2", "V_LV"), "too_few_segments")]
)
def test_incomplete_segments_are_remarked(make_beats, save_csv, labels, code):
    signals = make_beats(segments=3)
    rename = dict(zip(("V_1", "V_2", "V_3"), labels, strict=True))
    assert code in codes(analyse_file(save_csv(signals, rename=rename)).as_dict())


def test_two_segments_without_a_total_are_refused(make_beats, save_csv):
    with pytest.raises(RecordingError, match="3 to 7 segments"):
        analyse_file(save_csv(make_beats(segments=2)))


def test_total_beside_segments_is_remarked(make_beats, save_csv):
    total = make_beats().channels[1]
    report = analyse_file(save_csv(make_beats(segments=5, extra=(total,)))).as_dict()
    assert "total_from_segments" in codes(report)


def test_slow_pressure_is_refused(make_beats, save_csv):
    with pytest.raises(RecordingError, match="at least 100 Hz"):
        analyse_file(save_csv(make_beats(rate_hz=50.0)))


def test_refusals_of_the_engine_are_the_users(make_beats, save_csv):
    with pytest.raises(RecordingError, match="overlap"):
        analyse_file(save_csv(make_beats()), epochs=[EpochMark("a", 0, 20), EpochMark("b", 10, 30)])


def test_settings_and_overrides_reach_the_engine(make_beats, save_csv):
    path = save_csv(make_beats())
    first = analyse_file(path)
    beat = float(first.analysis.beats.time_s[10])
    again = analyse_file(path, settings=Settings(pressure_bandwidth_hz=30.0), overrides={beat: False})
    assert again.as_dict()["algorithm"]["settings"]["pressure_bandwidth_hz"] == 30.0
    assert again.analysis.beats.refused[10] == "by_hand"
    assert again.as_dict()["epochs"][0]["beats_refused"]["by_hand"] == 1


def test_progress_is_told_in_order_and_can_stop_the_analysis(make_beats, save_csv):
    told = []
    path = save_csv(make_beats())
    analyse_file(path, progress=lambda sentence, share: told.append(share))
    assert told == sorted(told)
    assert len(told) >= 3

    def stop(sentence, share):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        analyse_file(path, progress=stop)


def test_short_or_silent_recordings_say_that_there_is_no_beat(make_beats, save_csv):
    for signals in (make_beats(duration_s=0.4), make_beats(duration_s=0.01)):
        report = analyse_file(save_csv(signals)).as_dict(beats=True)
        assert report["epochs"][0]["beats_used"] == 0
        assert "no_beats" in codes(report)
        json.dumps(report, allow_nan=False)


def test_pause_of_the_recording_costs_only_the_beats_around_it(make_beats, tmp_path):
    signals = replace(make_beats(duration_s=40.0), annotations=(Annotation(0.5, None, "x" * 40),))
    write_edf(tmp_path / "a.edf", signals)
    raw = bytearray((tmp_path / "a.edf").read_bytes())
    raw[192:197] = b"EDF+D"
    for second in range(39, 19, -1):  # twenty seconds recorded, five of pause, twenty more
        old, new = f"+{second}\x14\x14\x00".encode(), f"+{second + 5}\x14\x14\x00".encode()
        at = raw.index(old)
        raw[at : at + len(new)] = new
    (tmp_path / "a.edf").write_bytes(raw)
    report = analyse_file(tmp_path / "a.edf").as_dict(beats=True)
    assert report["file"]["duration_s"] == 45.0
    assert any("interrupted" in note["message"] for note in report["quality"])
    (epoch,) = report["epochs"]
    assert 44 <= epoch["beats_used"] <= 49
    assert epoch["metrics"]["sv_ml"]["mean"] == pytest.approx(60, rel=5e-3)
    assert not any(b["refused"] is None and 19.9 < b["time_s"] < 25.0 for b in report["beats"])
