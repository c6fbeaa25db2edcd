"""``manage.py contractility``: a run is fitted, a steady epoch estimated and said to be so, wrong input refused."""

import json

import numpy as np
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from procedures.recordings import Channel, Signals, write_edf
from tests.procedures.haemodynamics.test_load_reduction import EES, occlusion


@pytest.fixture
def file(tmp_path):
    signals = occlusion(0.75)
    channels = (
        Channel("P_LV", "mmHg", 1000.0, signals.pressure_mmhg),
        Channel("V_LV", "mL", 1000.0, np.asarray(signals.volume_ml)),
    )
    write_edf(tmp_path / "run.edf", Signals(channels, (), "EDF+", 16.0))
    (tmp_path / "epochs.csv").write_text("label,start_s,end_s\nsteady,0,5\nocclusion,5,16\n")
    return tmp_path / "run.edf"


def said(capsys, *arguments):
    call_command("contractility", *map(str, arguments))
    return capsys.readouterr().out


def test_run_is_fitted_and_steady_beats_are_called_an_estimate(file, capsys):
    epochs = file.with_name("epochs.csv")
    steady, run = json.loads(said(capsys, file, "--epochs", epochs, "--curved", "--json"))
    assert run["run"]["espvr"]["slope"] == pytest.approx(EES, rel=0.03)
    assert {"prsw", "dpdt_max_edv"} <= run["run"].keys()
    assert run["energetics"]["from"] == "load reduction"
    assert 0 < run["energetics"]["efficiency"] < 1
    assert "single_beat" not in run
    assert steady["run"] == {}
    assert "EDV falls by only" in steady["refused"]["run"] or "usable beats" in steady["refused"]["run"]
    assert "single_beat" in steady or "single_beat" in steady["refused"]
    words = said(capsys, file, "--epochs", epochs)
    assert "Ees 1.5" in words
    assert "does not replace" in words


def test_recording_without_volume_says_what_is_missing(tmp_path, capsys):
    channel = Channel("P_LV", "mmHg", 1000.0, occlusion(0.5).pressure_mmhg)
    write_edf(tmp_path / "p.edf", Signals((channel,), (), "EDF+", 16.0))
    (epoch,) = json.loads(said(capsys, tmp_path / "p.edf", "--json"))
    assert "volume" in epoch["refused"]["run"]
    assert "energetics" not in epoch


def test_missing_file_ends_in_a_sentence(tmp_path):
    with pytest.raises(CommandError, match="no file") as caught:
        call_command("contractility", str(tmp_path / "none.edf"))
    assert caught.value.returncode == 2
