"""The invented centre, loaded once through the services, and every command that speaks of it."""

import io
import json

import pytest
from django.core.management import CommandError, call_command

from fixtures.demo.scenario import scenario
from fixtures.demo.truth_check import check, pairs_in_true_order
from procedures.models import AnalysisRun, EpochMetric, Session
from registry.trail.verify import faults

# Loading takes seconds and needs real commits, so it is done once and looked at from all sides.
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


def run(*words, **options):
    said = io.StringIO()
    call_command(*words, stdout=said, **options)
    return said.getvalue()


def test_demo_from_loading_to_comparison_and_truth(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    with pytest.raises(CommandError, match="run load_demo first"):
        run("check_demo")

    said = run("load_demo")
    told = scenario()
    assert f"Worked session: {told.worked_session}" in said
    assert all(member.username in said for member in told.members)
    assert Session.objects.count() == len(told.sessions)
    assert "loaded already" in run("load_demo")
    assert Session.objects.count() == len(told.sessions)

    session = Session.objects.get(code=told.worked_session)
    analysis = AnalysisRun.objects.get()
    assert (analysis.state, analysis.attempts) == ("done", 1)
    computed = EpochMetric.objects.filter(key="dpdt_max_mmhg_per_s", run=analysis)
    assert computed.count() == session.recordings.get().epochs.count()

    for metric in ("dpdt_max_mmhg_per_s", "stroke_work_mmhg_ml"):
        rows = check(session, metric)
        assert len(rows) == 6
        # A 95 % interval may miss now and then; two misses of six would be a fault.
        assert sum(row.inside for row in rows) >= 5
        assert pairs_in_true_order(rows)[0] >= 13
        assert max(rows, key=lambda row: row.found).site == rows[0].site == "PL-mid"
    assert "found best PL-mid" in run("check_demo")

    shown = json.loads(run("compare_sites", told.worked_session, json=True))
    assert len(shown["sites"]) == 6
    assert [site["reason"] for site in shown["not_reached"]]
    assert "not replace the judgement" in shown["caution"]

    decision = session.decisions.get()
    assert decision.was_leading is True
    assert session.signed_content["decisions"]
    assert list(faults()) == []
