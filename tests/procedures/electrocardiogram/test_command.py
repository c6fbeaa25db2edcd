"""``manage.py measure_ecg`` as a user runs it."""

import json
import subprocess
import sys
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from procedures.management.commands.measure_ecg import Command
from procedures.recordings import Annotation, Channel, Signals, write_edf
from tests.procedures.electrocardiogram.simulated import record

ROOT = Path(__file__).resolve().parents[3]
KEYS = {
    *("qrs_onset_ms", "qrs_offset_ms", "qrs_duration_ms", "qrs_duration_sd_ms", "rr_ms", "axis_degrees"),
    *("lead_i_initial_negative", "v1_polarity", "strict_lbbb", "paced", "leads"),
}


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Ten seconds of a QRS of 110 ms, then ten of one of 170 ms, in a file with epochs."""
    parts = [record("bells", 110, 71), record("bells", 170, 72)]
    channels = tuple(
        Channel(f"ECG_{name}", "mV", 1000.0, np.concatenate([part.leads[name] for part in parts]))
        for name in parts[0].leads
    )
    path = tmp_path_factory.mktemp("ecg") / "two.edf"
    marks = (Annotation(0.0, 10.0, "baseline"), Annotation(10.0, 10.0, "site:A"))
    write_edf(path, Signals((*channels, Channel("P_LV", "mmHg", 1000.0, np.arange(20000.0) % 90)), marks, "EDF+", 20.0))
    return path


def as_json(*arguments):
    out = StringIO()
    call_command("measure_ecg", *map(str, arguments), "--json", stdout=out)
    return json.loads(out.getvalue())


def refused(*arguments):
    with pytest.raises(CommandError) as caught:
        call_command("measure_ecg", *map(str, arguments))
    assert caught.value.returncode == 2
    return str(caught.value)


def test_json_is_all_that_is_printed(recording):
    done = subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), "measure_ecg", str(recording), "--json", "--epoch", "baseline"],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert (done.returncode, done.stderr) == (0, "")
    result = json.loads(done.stdout)
    assert result.keys() >= KEYS
    assert result["qrs_duration_ms"] == pytest.approx(result["qrs_offset_ms"] - result["qrs_onset_ms"], abs=1e-3)
    assert set(result["strict_lbbb"]) >= {"met", "clauses"}
    assert len(result["leads"]) == 12


@pytest.mark.parametrize(("epoch", "width"), [("baseline", 110), ("site:A", 170), ("0:10", 110), ("10.5:19.5", 170)])
def test_epoch_chooses_the_stretch(recording, epoch, width):
    assert as_json(recording, "--epoch", epoch)["qrs_duration_ms"] == pytest.approx(width, abs=10)


def test_sex_decides_the_clause_of_duration(recording):
    def clause(*sex):
        return as_json(recording, "--epoch", "baseline", *sex)["strict_lbbb"]["clauses"][0]

    assert "130" in clause("--sex", "female")["text"]
    assert "140" in clause("--sex", "male")["text"]
    assert clause("--sex", "male")["met"] is False


def test_channels_can_be_named_by_hand(recording):
    swapped = as_json(recording, "--map", "ECG_V1=ECG_V2", "--map", "ECG_V2=ECG_V1", "--epoch", "baseline")
    plain = as_json(recording, "--epoch", "baseline")
    assert swapped["leads"]["V1"] == plain["leads"]["V2"]


def test_table_shows_clauses_and_caution(recording):
    out = StringIO()
    call_command("measure_ecg", str(recording), "--epoch", "site:A", stdout=out)
    text = out.getvalue()
    assert "QS or rS in V1 and V2" in text
    assert "does not replace" in text
    assert "device labelling" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--epoch", "site:B"), "its epochs: baseline, site:A"),
        (("--epoch", "5:4"), "does not end"),
        (("--epoch", "15:40"), "outside"),
        (("--epoch", "a:b"), "START:END"),
        (("--epoch", "1:1.8"), "at least 1.5 s"),
        (("--map", "ECG_I=P_LV"), "not in mV"),
        (("--map", "ECG_X=P_LV"), "not a role"),
        (("--map", "ECG_I=nothing"), "no channel 'nothing'"),
    ],
)
def test_wrong_input_is_one_sentence_and_exit_code_2(recording, arguments, words):
    assert words in refused(recording, *arguments)


def test_recording_without_leads_is_refused(tmp_path):
    path = tmp_path / "pressure.csv"
    path.write_text("time_s,P_LV [mmHg]\n" + "".join(f"{i / 100:.2f},{i % 90}\n" for i in range(500)))
    assert "--map" in refused(path)
    assert "no file" in refused(tmp_path / "none.edf")


def test_wrong_option_at_the_terminal_is_one_sentence(capsys):
    with pytest.raises(SystemExit) as caught:
        Command().run_from_argv(["manage.py", "measure_ecg", "x.edf", "--sex", "other"])
    assert caught.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert "invalid choice" in err
