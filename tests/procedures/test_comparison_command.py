from __future__ import annotations

import io
import json

import pytest
from django.core.management import CommandError, call_command

from procedures.services.decisions import record_decision
from tests.factories import (
    make_centre,
    make_measurement,
    make_patient,
    make_session,
    make_site,
    make_tributary,
    writer_of,
)
from tests.procedures.comparing import KEY, recorded_session, typed_session

pytestmark = pytest.mark.django_db


def _run(*arguments: str) -> str:
    out = io.StringIO()
    call_command("compare_sites", *arguments, stdout=out)
    return out.getvalue()


def _refused(*arguments: str) -> str:
    with pytest.raises(CommandError) as caught:
        _run(*arguments)
    assert caught.value.returncode == 2
    return str(caught.value)


def test_table_orders_sites_and_says_everything() -> None:
    session = typed_session({"A": 3.0, "B": 12.0}, visits=3)
    make_measurement(session.sites.get(label="B"), phrenic_threshold_v=1.5, qrs_duration_ms=150.0)
    make_site(make_tributary(session), "C", reached=False, not_reached_reason="tortuosity")
    text = _run(session.code)
    rows = [line for line in text.splitlines() if line.startswith(("A ", "B "))]
    assert [row[0] for row in rows] == ["B", "A"]
    assert rows[0].split()[1] == "+12.0"
    assert rows[0].split()[-7:] == ["90", "1", "at", "0.5", "1.5", "150", "entered"]
    for said in (
        "Decided. B leads: dP/dt max +12.0 %.",
        "C: tortuosity.",
        "B: phrenic stimulation at 1.5 times the capture threshold.",
        "7 baselines used.",
        "Values entered by hand.",
        "No decision has been recorded.",
        "Caution. Tributary supports and does not replace",
    ):
        assert said in text
    assert max(len(line) for line in text.splitlines()) <= 120


def test_json_is_strict_and_complete() -> None:
    session = recorded_session({"A": 3.0, "B": 12.0})
    site = session.sites.get(label="B")
    record_decision(
        by=writer_of(session.centre), session=session, site=site, reason="Best.", metric="stroke_work_mmhg_ml"
    )
    told = json.loads(_run(str(session.pk), "--json"), parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert set(told) >= {
        "session", "baseline", "metric", "sites", "advice", "not_reached", "decision", "origin", "caution",
    }  # fmt: skip
    assert told["session"] == session.code
    assert told["baseline"] == {"pacing": "rv_paced", "epochs": 5}
    assert told["metric"] == "stroke_work_mmhg_ml"
    assert told["origin"] == "computed"
    assert [row["state"] for row in told["sites"]] == ["B", "A"]
    assert told["sites"][0]["change_percent"] == pytest.approx(12.0, abs=1.0)
    assert told["decision"]["site"] == "B"
    assert told["decision"]["was_leading"] is True
    assert isinstance(told["advice"][0], str)


def test_metric_can_be_chosen() -> None:
    session = typed_session({"A": -3.0, "B": -12.0}, key="edp_mmhg", level=20.0)
    told = json.loads(_run(session.code, "--metric", "edp_mmhg", "--json"))
    assert [row["state"] for row in told["sites"]] == ["B", "A"]
    assert told["direction"] == -1


def test_session_that_cannot_be_compared_says_why() -> None:
    session = make_session()
    assert "No site has been tested yet." in _run(session.code)
    told = json.loads(_run(session.code, "--json"))
    assert (told["metric"], told["sites"], told["refusal"]) == (None, [], "No site has been tested yet.")


def test_wrong_input_is_one_sentence_and_exit_code_2() -> None:
    session = typed_session({"A": 3.0})
    assert _refused("nothing") == "There is no session 'nothing'."
    assert _refused("01a2124b-d8af-75c5-82ef-454b22cf5acb").startswith("There is no session")
    assert _refused(session.code, "--metric", "speed") == f"'speed' is not a metric; measured in this session: {KEY}."
    assert "was not measured in this session" in _refused(session.code, "--metric", "sv_ml")


def test_code_of_two_centres_asks_for_the_uuid() -> None:
    first = make_session(make_patient(make_centre()))
    second = make_session(make_patient(make_centre()))
    assert first.code == second.code
    assert "give its UUID" in _refused(first.code)
    assert first.code in _run(str(first.pk))
