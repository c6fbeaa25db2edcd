"""``manage.py analyse_recording`` as a user runs it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from procedures.management.commands.analyse_recording import Command

ROOT = Path(__file__).resolve().parents[3]


def run(*arguments):
    """As a user runs it, in a process of its own."""
    return subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), "analyse_recording", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def refused_at_the_terminal(capsys):
    """What stands on standard error; the same way as from the command line, without a new process."""

    def refused(*arguments):
        with pytest.raises(SystemExit) as caught:
            Command().run_from_argv(["manage.py", "analyse_recording", *map(str, arguments)])
        assert caught.value.code == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert len(err.strip().splitlines()) == 1
        assert "Traceback" not in err
        return err

    return refused


def refused(*arguments):
    """The sentence of a refusal in this process."""
    with pytest.raises(CommandError) as caught:
        call_command("analyse_recording", *map(str, arguments))
    assert caught.value.returncode == 2
    return str(caught.value)


@pytest.fixture
def recording(make_beats, save_csv):
    return save_csv(make_beats(segments=5))


def test_json_is_all_that_is_printed_and_no_database_is_asked(recording):
    done = run(recording, "--json", "--beats", "--map", "P_LV=P_LV")
    assert (done.returncode, done.stderr) == (0, "")
    result = json.loads(done.stdout, parse_constant=lambda text: pytest.fail(f"{text} in JSON"))
    assert list(result) == ["file", "algorithm", "epochs", "quality", "beats"]
    assert result["file"]["format"] == "CSV"
    assert result["epochs"][0]["metrics"]["sv_ml"]["mean"] == pytest.approx(60, rel=0.01)


def test_epochs_table_is_used(recording, tmp_path, capsys):
    (tmp_path / "e.csv").write_text("label,start_s,end_s\nbaseline,0,12\nsite:A,12,30\n")
    call_command("analyse_recording", recording, "--epochs", tmp_path / "e.csv", "--json")
    result = json.loads(capsys.readouterr().out)
    assert [epoch["label"] for epoch in result["epochs"]] == ["baseline", "site:A"]
    assert "beats" not in result


def test_table_for_people_names_metrics_with_units(recording, capsys):
    call_command("analyse_recording", recording, "--beats")
    text = capsys.readouterr().out
    assert "Stroke volume" in text
    assert "mL" in text
    assert "all: 0.00 to 30.00 s" in text
    assert "does not replace the judgement" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "required"),
        (("--bogus", "x.csv"), "nrecognized arguments"),
        (("a.csv", "b.csv"), "nrecognized arguments"),
        (("missing.csv", "--json"), "There is no file missing.csv"),
        (("x.csv", "--map"), "expected one argument"),
    ],
)
def test_wrong_call_is_one_sentence_and_exit_code_2(refused_at_the_terminal, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    assert words in refused_at_the_terminal(*arguments)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"0       cut", b"x,y\n1,2\n", b"\x00\x01", b"", b"PK\x03\x04", b"a\n"])
def test_wrong_file_is_one_sentence_and_exit_code_2(refused_at_the_terminal, tmp_path, content):
    (tmp_path / "a.edf").write_bytes(content)
    refused_at_the_terminal(tmp_path / "a.edf", "--json")
    assert [path.name for path in tmp_path.iterdir()] == ["a.edf"]


def test_wrong_file_in_a_process_of_its_own(tmp_path):
    (tmp_path / "a.edf").write_bytes(b"0       cut")
    done = run(tmp_path / "a.edf", "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "CommandError: The EDF file is cut short: its header is incomplete.\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--map", "P_LV"), "not a channel mapping"),
        (("--map", "HEART=P_LV"), "not a role"),
        (("--map", "P_LV=none"), "no channel 'none'"),
        (("--map", "P_LV=V_1"), "is in mL; mmHg is expected"),
        (("--epochs", "none.csv"), "none.csv cannot be read"),
    ],
)
def test_wrong_option_is_refused(recording, arguments, words):
    assert words in refused(recording, *arguments)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("label,start_s,end_s\na,0,99\n", "lies outside the recording"),
        ("label,start_s,end_s\na,0,20\nb,10,30\n", "overlap"),
        ("label,start_s\na,0\n", "no column end_s"),
    ],
)
def test_wrong_epochs_are_refused(recording, tmp_path, table, words):
    (tmp_path / "e.csv").write_text(table)
    assert words in refused(recording, "--epochs", tmp_path / "e.csv")


def test_directory_and_unit_mistake_are_refused(recording, tmp_path):
    assert "not a file" in refused(tmp_path)
    text = recording.read_text().replace("P_LV [mmHg]", "P_LV [kPa]")
    recording.write_text(text)
    assert "is in kPa; mmHg is expected" in refused(recording)


def test_control_characters_of_a_file_do_not_reach_the_terminal(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time_s,\x1b[31mred [mmHg]\n0,1\n0.001,2\n")
    assert "\x1b" not in refused(path)


@pytest.mark.parametrize("option", ["--alpha", "--spacing-mm", "--resistivity-ohm-cm", "--parallel-volume-ml"])
@pytest.mark.parametrize("value", ["much", "-1", "nan"])
def test_calibration_that_is_no_number_is_refused(refused_at_the_terminal, recording, option, value):
    assert f"'{value}' is not a number from 0 up" in refused_at_the_terminal(recording, f"{option}={value}")


def test_alpha_and_parallel_volume_correct_the_volumes(recording, capsys):
    call_command("analyse_recording", str(recording), "--json", "--alpha", "1.25", "--parallel-volume-ml", "30")
    result = json.loads(capsys.readouterr().out)
    assert result["epochs"][0]["metrics"]["edv_ml"]["mean"] == pytest.approx((180 - 30) / 1.25, rel=5e-3)
    assert result["algorithm"]["settings"]["calibrations"][0]["alpha"] == 1.25
