"""Every command of ours answers wrong options, and a database that is not set up, by one sentence and exit code 2."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import manage

ROOT = Path(__file__).resolve().parents[3]
OURS = sorted(
    path.stem
    for room in ("registry", "procedures", "analytics", "fixtures")
    for path in (ROOT / room / "management" / "commands").glob("[a-z]*.py")
)


def run(folder, *words):
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("TRIBUTARY_", "DATABASE"))}
    environment |= {"TRIBUTARY_VAR": str(folder), "DJANGO_SETTINGS_MODULE": "config.settings"}
    return subprocess.run(
        [sys.executable, "manage.py", *words], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120
    )


def test_there_are_commands():
    assert {"analyse_recording", "acute_response", "compare_sites", "load_demo", "verify_trail"} <= set(OURS)


def test_unknown_option_is_one_sentence(tmp_path):
    done = run(tmp_path, "verify_trail", "--nonsense")
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", OURS)
def test_unknown_option_of_every_command_is_one_sentence(command, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["manage.py", command, "--nonsense"])
    with pytest.raises(SystemExit) as ended:
        manage.main()
    said = capsys.readouterr()
    assert ended.value.code == 2
    assert said.out == ""
    assert len(said.err.strip().splitlines()) == 1


@pytest.mark.parametrize("words", [("compare_sites", "S-0022"), ("check_demo",)])
def test_database_that_is_not_set_up_is_one_sentence(words, tmp_path):
    done = run(tmp_path, *words)
    assert done.returncode == 2
    assert "migrate" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
