from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from procedures.acute_response import compare
from registry.caution import CAUTION
from tests.procedures.acute_response.simulated import BASELINE, Session, session

ROOT = Path(__file__).resolve().parents[3]
KEYS = {
    "state", "change_percent", "low_percent", "high_percent", "probability_best", "shrunken_change_percent",
    "paired_change_percent", "unpaired_change_percent", "epochs", "beats", "flags",
}  # fmt: skip


def rows(made: Session, *prefix: str) -> list[str]:
    return [
        ",".join([*prefix, f"{t!r}", e.key, e.state, f"{v!r}"])
        for e in made.epochs
        for t, v in zip(e.times_s.tolist(), e.values.tolist(), strict=True)
    ]


def write(path: Path, lines: list[str], header: str = "time_s,epoch,state,value") -> str:
    path.write_text("\n".join([header, *lines]) + "\n")
    return str(path)


def answer(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict:
    call_command("acute_response", *arguments, "--json")
    return json.loads(capsys.readouterr().out)


def test_one_session_equals_the_library(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = session(np.random.default_rng(1), sites=5)
    found = answer(capsys, write(tmp_path / "beats.csv", rows(made)))["sessions"]
    expected = compare(made.epochs, baseline=BASELINE, metric="value")
    assert len(found) == 1
    assert found[0]["session"] is None
    assert set(found[0]) >= {"session", "metric", "drift_percent_per_min", "sites", "advice"}
    assert [s["state"] for s in found[0]["sites"]] == [s.state for s in expected.sites]
    for a, b in zip(found[0]["sites"], expected.sites, strict=True):
        assert set(a) >= KEYS
        assert a["change_percent"] == pytest.approx(b.change_percent)
        assert a["probability_best"] == pytest.approx(b.probability_best)
        assert (a["epochs"], a["beats"]) == (3, 45)
    assert all(isinstance(sentence, str) for sentence in found[0]["advice"])


def test_sessions_and_metrics_keep_apart_and_shuffled_rows_do_not_matter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header, lines = "session,metric,time_s,epoch,state,value", []
    for name in ("first", "second"):
        for metric in ("dpdt_max_mmhg_per_s", "tau_exponential_ms"):
            lines += rows(session(np.random.default_rng(len(lines)), sites=4), name, metric)
    straight = answer(capsys, write(tmp_path / "a.csv", lines, header))["sessions"]
    assert [(s["session"], s["metric"]) for s in straight] == [
        ("first", "dpdt_max_mmhg_per_s"), ("first", "tau_exponential_ms"),
        ("second", "dpdt_max_mmhg_per_s"), ("second", "tau_exponential_ms"),
    ]  # fmt: skip
    up, down = straight[0]["sites"], straight[1]["sites"]
    assert up[0]["change_percent"] > up[-1]["change_percent"]
    assert down[0]["change_percent"] < down[-1]["change_percent"]  # tau: lower is better
    shuffled = [lines[i] for i in np.random.default_rng(0).permutation(len(lines))]
    again = answer(capsys, write(tmp_path / "b.csv", shuffled, header))["sessions"]
    key = lambda s: (s["session"], s["metric"])  # noqa: E731
    for a, b in zip(sorted(straight, key=key), sorted(again, key=key), strict=True):
        assert a["sites"] == b["sites"]


def test_one_row_for_each_epoch_is_taken_as_its_mean(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = ["0,1,off,800", "60,2,A,880", "120,3,off,820"]
    found = answer(capsys, write(tmp_path / "means.csv", lines), "--baseline", "off")["sessions"][0]
    assert found["sites"][0]["paired_change_percent"] == pytest.approx(8.6419753)
    # The means are 8.6 % apart; one visit that nothing repeats leaves about as much open on either side.
    assert found["sites"][0]["change_percent"] == pytest.approx(8.6, abs=1.5)
    assert -3.0 < found["sites"][0]["low_percent"] < 3.0
    assert "epoch_means" in found["flags"]


def test_label_that_comes_back_is_a_new_visit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = session(np.random.default_rng(2), sites=4)
    by_state = [line.replace(f",{e.key},", ",x,") for e in made.epochs for line in rows(Session([e], {}))]
    found = answer(capsys, write(tmp_path / "reused.csv", by_state))["sessions"][0]
    assert [s["epochs"] for s in found["sites"]] == [3, 3, 3, 3]
    assert "epoch_label_reused" in found["flags"]


def test_blank_values_are_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = rows(session(np.random.default_rng(3), sites=4))
    lines[20] = lines[20].rsplit(",", 1)[0] + ","
    found = answer(capsys, write(tmp_path / "blank.csv", lines))["sessions"][0]
    assert sum(s["beats"] for s in found["sites"]) == 4 * 45 - 1


def test_session_without_baseline_does_not_stop_the_others(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = rows(session(np.random.default_rng(4), sites=4), "good")
    bad = [line for line in rows(session(np.random.default_rng(5), sites=4), "bad") if BASELINE not in line]
    path = write(tmp_path / "two.csv", bad + good, "session,time_s,epoch,state,value")
    bad_found, good_found = answer(capsys, path)["sessions"]
    assert "No epoch of the baseline" in bad_found["error"]
    assert bad_found["sites"] == []
    assert len(good_found["sites"]) == 4


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("time_s,epoch,state,value\n", "no rows"),
        ("time_s,epoch,value\n0,1,2\n", "has no column 'state'"),
        ("time_s,epoch,state,value\n0,1,baseline,800\n9,2,A,high\n", "Line 3 of .*'high', which is not a number"),
        ("time_s,epoch,state,value\n0,1,baseline,inf\n", "not a finite number"),
        ("time_s,epoch,state,value\n,1,baseline,800\n", "has no time_s"),
        ("time_s,epoch,state,value\n0,1,,800\n", "has no state"),
        ("time_s,epoch,state,value\n0,1,off,800\n60,2,A,880\n", "the states in the data are 'off', 'A'"),
        ("time_s,epoch,state,value\n0,1,baseline,800,5,6,7\n1,2\n", "."),
        ("time_s,epoch,state,value,value\n0,1,baseline,800,1\n60,2,A,880,1\n", "'value' more than once"),
        ("time_s;epoch;state;value\n0;1;baseline;800\n", "separated by semicolons"),
        ("time_s,epoch,state,value\n0,1,baseline,1e308\n60,2,A,880\n", "not a finite number below"),
        ("time_s,epoch,state,value\n0,1,baseline,800\n0,2,A,880\n0,3,baseline,805\n", "the same time"),
    ],
)
def test_wrong_input_is_refused_in_one_sentence(tmp_path: Path, content: str, words: str) -> None:
    path = tmp_path / "wrong.csv"
    path.write_text(content)
    with pytest.raises(CommandError, match=words) as caught:
        call_command("acute_response", str(path), "--json")
    assert caught.value.returncode == 2
    assert "\n" not in str(caught.value)


def test_metric_that_is_not_known_says_that_higher_was_taken_as_better(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = ["0,1,off,800,{}", "60,2,A,880,{}", "120,3,off,805,{}"]
    header = "time_s,epoch,state,value,metric"
    for metric, told in (("dpdt_max_mmhg_per_s", False), ("edp_mmhg", False), ("left_atrial_area", True)):
        path = write(tmp_path / "beats.csv", [line.format(metric) for line in lines], header)
        (found,) = answer(capsys, path, "--baseline", "off")["sessions"]
        assert ("higher_taken_as_better" in found["flags"]) is told
        call_command("acute_response", path, "--baseline", "off")
        assert ("higher values are taken as better" in capsys.readouterr().out) is told


def test_epoch_of_one_beat_among_longer_ones_is_compared_without_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = rows(session(np.random.default_rng(1), sites=2))
    (found,) = answer(capsys, write(tmp_path / "beats.csv", made[14:]))["sessions"]
    assert {site["state"] for site in found["sites"]} == {"S1", "S2"}
    assert sum(site["beats"] for site in found["sites"]) == 90


def test_binary_file_and_missing_file_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "binary.csv"
    path.write_bytes(bytes(range(256)) * 40)
    for name in (str(path), str(tmp_path / "none.csv"), str(tmp_path), ""):
        for command in ("acute_response", "delay_optimum"):
            with pytest.raises(CommandError) as caught:
                call_command(command, name)
            assert caught.value.returncode == 2


def test_exit_code_and_standard_error_of_the_real_command(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "manage.py", "acute_response", str(tmp_path / "none.csv"), "--json"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert "cannot be read" in done.stderr


def test_table_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = session(np.random.default_rng(1), sites=5)
    call_command("acute_response", write(tmp_path / "beats.csv", rows(made)))
    out = capsys.readouterr().out
    assert all(f"S{i}" in out for i in range(1, 6))
    assert "decided" in out.lower()
    assert out.rstrip().endswith(CAUTION)


def test_delay_optimum_prints_the_contracts_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "sweep.csv", ["80,4", "120,8", "160,8", "200,4"], "delay_ms,change_percent")
    call_command("delay_optimum", path, "--json")
    found = json.loads(capsys.readouterr().out)
    assert set(found) == {
        "optimum_ms", "low_ms", "high_ms", "peak_change_percent", "concave", "inside_range", "flags",
    }  # fmt: skip
    assert found["optimum_ms"] == pytest.approx(140.0)
    assert found["peak_change_percent"] == pytest.approx(8.5)


def test_delay_optimum_reads_standard_errors_and_refuses_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header = "delay_ms,change_percent,standard_error"
    call_command("delay_optimum", write(tmp_path / "se.csv", ["80,4,1", "120,8,1", "160,8,1", "200,4,1"], header))
    out = capsys.readouterr().out
    assert "95 % interval" in out
    assert out.rstrip().endswith(CAUTION)
    call_command("delay_optimum", write(tmp_path / "up.csv", ["80,4,1", "120,3,1", "160,3,1", "200,4,1"], header))
    assert "no maximum" in capsys.readouterr().out
    with pytest.raises(CommandError, match="above zero"):
        call_command("delay_optimum", write(tmp_path / "bad.csv", ["80,4,1", "120,3,0", "160,3,1"], header))
