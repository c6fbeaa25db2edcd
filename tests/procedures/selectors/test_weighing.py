"""Facts side by side, the sites that none beats, and the return to the chosen site."""

import datetime as dt

import pytest

from procedures.selectors.comparison import compare_session
from procedures.selectors.return_visit import return_visit
from procedures.selectors.weighing import metrics_agree, weigh_sites
from procedures.services.decisions import record_decision
from procedures.services.responses import refresh_responses
from tests.factories import START, enter, make_epoch, make_measurement, writer_of
from tests.procedures.comparing import KEY, STROKE_WORK, typed_session

pytestmark = pytest.mark.django_db


def site_of(session, label):
    return session.sites.get(label=label)


def measure(session, label, **values):
    return make_measurement(site_of(session, label), **values)


def decide_for(session, label):
    by = writer_of(session.centre)
    record_decision(by=by, session=session, site=site_of(session, label), reason="best", metric=KEY)


def test_site_beaten_on_all_counts_is_named_with_its_better():
    session = typed_session({"A": 10.0, "B": 4.0})
    measure(session, "A", capture_threshold_v=0.8, sensed_r_wave_mv=12.0)
    measure(session, "B", capture_threshold_v=1.8, sensed_r_wave_mv=8.0)
    weighed = weigh_sites(compare_session(session, KEY))
    assert weighed.unbeaten == ("A",)
    assert {site.row.site.label: site.beaten_by for site in weighed.sites} == {"A": None, "B": "A"}
    assert weighed.sentence.startswith("By the values shown, A is at least as good")


def test_trade_off_leaves_both_unbeaten():
    session = typed_session({"A": 10.0, "B": 4.0})
    measure(session, "A", capture_threshold_v=2.4)
    measure(session, "B", capture_threshold_v=0.8)
    weighed = weigh_sites(compare_session(session, KEY))
    assert set(weighed.unbeaten) == {"A", "B"}
    assert "no site improves on A or B without a disadvantage. Which advantage counts more" in weighed.sentence


def test_threshold_at_another_pulse_width_is_not_counted():
    session = typed_session({"A": 10.0, "B": 4.0})
    measure(session, "A", capture_threshold_v=2.4, pulse_width_ms=1.0)
    measure(session, "B", capture_threshold_v=0.8, pulse_width_ms=0.5)
    weighed = weigh_sites(compare_session(session, KEY))
    facts = {site.row.site.label: {c.key: fact for c, fact in site.pairs} for site in weighed.sites}
    assert facts["A"]["threshold"] is None
    assert facts["B"]["threshold"].value == 0.8


def test_no_phrenic_stimulation_found_is_a_bound():
    session = typed_session({"A": 10.0, "B": 4.0})
    measure(session, "A", capture_threshold_v=1.0, phrenic_none_up_to_v=10.0)
    measure(session, "B", capture_threshold_v=1.0, phrenic_threshold_v=1.5)
    weighed = weigh_sites(compare_session(session, KEY))
    phrenic = {site.row.site.label: dict(zip([c.key for c in weighed.criteria], site.facts, strict=True))["phrenic"]
               for site in weighed.sites}  # fmt: skip
    assert (phrenic["A"].value, phrenic["A"].at_least) == (10.0, True)
    assert (phrenic["B"].value, phrenic["B"].at_least) == (1.5, False)


def test_one_site_is_not_weighed():
    assert weigh_sites(compare_session(typed_session({"A": 10.0}), KEY)) is None


def test_metrics_that_disagree_are_named():
    session = typed_session({"A": 10.0, "B": 4.0})
    for epoch in session.epochs.select_related("site"):
        gain = {"A": 1.02, "B": 1.3}.get(epoch.site.label if epoch.site else "", 1.0)
        enter(epoch, STROKE_WORK, 4000 * gain, sd=200)
    refresh_responses(session.pk)
    said = metrics_agree(compare_session(session, KEY))
    assert said.startswith("1 of 2 ranked metrics rank ")
    assert "B ranks first by stroke work." in said or "B ranks first by" in said


def test_metrics_that_agree_say_so_and_one_metric_says_nothing():
    session = typed_session({"A": 10.0, "B": 4.0})
    assert metrics_agree(compare_session(session, KEY)) == ""
    for epoch in session.epochs.select_related("site"):
        gain = {"A": 1.2, "B": 1.1}.get(epoch.site.label if epoch.site else "", 1.0)
        enter(epoch, STROKE_WORK, 4000 * gain, sd=200)
    refresh_responses(session.pk)
    assert metrics_agree(compare_session(session, KEY)) == "All 2 ranked metrics rank A first."


def test_return_that_agrees():
    session = typed_session({"A": 10.0, "B": 4.0})
    record_decision(
        by=writer_of(session.centre), session=session, site=site_of(session, "A"), reason="best", metric=KEY
    )
    measure(session, "A", capture_threshold_v=1.0)
    measure(session, "A", capture_threshold_v=1.2, measured_at=START + dt.timedelta(minutes=9))
    returned = return_visit(compare_session(session, KEY))
    assert returned.site.label == "A"
    assert returned.returned_at == START + dt.timedelta(seconds=300)
    assert [check.agrees for check in returned.checks if check.what in (KEY, "capture_threshold_v")] == [True, True]
    assert not returned.warns


def test_return_with_another_response_and_threshold_warns():
    session = typed_session({"A": 10.0, "B": 4.0})
    record_decision(
        by=writer_of(session.centre), session=session, site=site_of(session, "A"), reason="best", metric=KEY
    )
    last = 60.0 * 20
    enter(make_epoch(session, site_of(session, "B"), start_s=last), KEY, 832.0)
    enter(make_epoch(session, None, start_s=last + 60), KEY, 800.0)
    enter(make_epoch(session, site_of(session, "A"), start_s=last + 120), KEY, 700.0)
    enter(make_epoch(session, None, start_s=last + 180), KEY, 800.0)
    measure(session, "A", capture_threshold_v=1.0)
    measure(session, "A", capture_threshold_v=2.5, measured_at=START + dt.timedelta(minutes=30))
    returned = return_visit(compare_session(session, KEY))
    assert returned.warns
    assert [check.agrees for check in returned.checks] == [False, False]
    assert all(check.sentence.startswith("Warning") for check in returned.checks)


def test_thresholds_of_two_pulse_widths_are_not_compared_on_return():
    session = typed_session({"A": 10.0, "B": 4.0})
    decide_for(session, "A")
    measure(session, "A", capture_threshold_v=1.0, impedance_ohm=600.0)
    later = START + dt.timedelta(minutes=9)
    measure(session, "A", capture_threshold_v=1.0, pulse_width_ms=1.0, impedance_ohm=610.0, measured_at=later)
    checks = {check.what: check for check in return_visit(compare_session(session, KEY)).checks}
    assert checks["capture_threshold_v"].agrees is None
    assert "pulse width 1 ms after 0.5 ms" in checks["capture_threshold_v"].sentence
    assert checks["impedance_ohm"].agrees is True


def test_site_visited_in_one_stay_only_is_no_return():
    session = typed_session({"A": 10.0, "B": 4.0}, visits=1)
    assert return_visit(compare_session(session, KEY)) is None
