"""The audit of a year that adds up by hand."""

import datetime as dt

import pytest

from analytics.indicators import BY_KEY, INDICATORS
from analytics.selectors.audit import audit_years, overview, sessions_behind
from analytics.statistics import wilson_interval
from procedures.services.decisions import record_decision
from procedures.services.responses import refresh_responses
from registry.access import Right, chosen_centre
from registry.errors import AccessDenied
from registry.models import Centre, Role
from tests import factories as make
from tests.analytics.year import TODAY, YEAR, make_year

pytestmark = pytest.mark.django_db


@pytest.fixture
def year(db):
    return make_year()


def result(shown, key):
    return next(one for one in shown.proportions if one.indicator.key == key)


def middle(shown, key):
    return next(one for one in shown.middles if one.measure.key == key)


def test_indicators_add_up(year):
    too_early = {"30 days have not passed yet": 2}
    no_response = {
        "no LV lead implanted": 3,
        "no LVESV before the implant": 1,
        "follow-up window of 3 to 12 months has not ended yet": 1,
    }
    expected = {
        "implant-success": (4, 6, {"outcome not recorded yet": 1}),
        "complication": (2, 5, too_early),
        "complication-haematoma": (2, 5, too_early),
        "complication-infection": (0, 5, too_early),
        "complication-pneumothorax": (0, 5, too_early),
        "death": (0, 5, too_early),
        "response": (1, 2, no_response),
        "decision-matched": (0, 0, {"no decision recorded": 7}),
    }

    shown = {one.indicator.key: one for one in overview(year.centre, YEAR, today=TODAY).proportions}

    assert {key: (shown[key].counted, shown[key].total, shown[key].left_out) for key in expected} == expected
    for one in shown.values():
        assert one.interval == (wilson_interval(one.counted, one.total) if one.total else None)


def test_nothing_to_divide_by_is_not_applicable(year):
    one = result(overview(year.centre, YEAR, today=TODAY), "decision-matched")

    assert one.fraction is one.percent is one.low_percent is one.high_percent is None


def test_events_whose_relation_is_not_known_are_told_and_not_counted(year):
    assert overview(year.centre, YEAR, today=TODAY).unjudged_events == 1


def test_volume_by_month_and_kind(year):
    volume = overview(year.centre, YEAR, today=TODAY).volume

    by_month = {month.month: (kinds, all_) for month, kinds, all_ in volume}
    assert by_month[1] == ([2, 0, 0], 2)
    assert by_month[2] == ([0, 0, 1], 1)
    assert by_month[3] == ([1, 1, 0], 2)
    assert by_month[4] == ([0, 0, 0], 0)
    assert len(volume) == 12


def test_medians_count_missing_as_missing(year):
    shown = overview(year.centre, YEAR, today=TODAY)

    fluoroscopy, dose, sites = (middle(shown, key) for key in ("fluoroscopy", "dose", "sites_tested"))
    assert (fluoroscopy.spread, fluoroscopy.missing) == ((20, 15, 30, 3), 4)
    assert (dose.spread, dose.missing) == ((25, 22.5, 27.5, 2), 5)
    assert (sites.spread.median, sites.spread.n, sites.missing) == (0, 7, 0)


def test_sites_not_reached_are_not_tested(year):
    facts = [facts for facts, _ in sessions_behind(BY_KEY["implant-success"], year.centre, YEAR, "total", today=TODAY)]

    assert {one.code: one.sites_tested for one in facts}[year.sessions["a"].code] == 2


def test_an_early_death_goes_to_the_latest_session_only(year):
    b = year.sessions["b"]
    b.patient.died_on = dt.date(YEAR, 3, 1)  # day 4 after the revision g, day 40 after b
    b.patient.save()
    a = year.sessions["a"]
    make.make_adverse_event(a.patient, kind="death", occurred_on=dt.date(YEAR, 2, 14), severity="fatal")  # day 30

    found = sessions_behind(BY_KEY["death"], year.centre, YEAR, "counted", today=TODAY)

    assert [facts.code for facts, _ in found] == [year.sessions["g"].code, a.code]


def test_an_event_after_the_turn_of_the_year_goes_to_the_session_it_belongs_to(db):
    patient = make.make_patient()
    for moment in (dt.datetime(2022, 12, 20, 8, tzinfo=dt.UTC), dt.datetime(2023, 1, 5, 8, tzinfo=dt.UTC)):
        make.make_session(patient, started_at=moment, outcome="lv_lead_implanted")
    make.make_adverse_event(patient, occurred_on=dt.date(2023, 1, 6))

    before = result(overview(patient.centre, 2022, today=TODAY), "complication")
    after = result(overview(patient.centre, 2023, today=TODAY), "complication")

    assert (before.counted, before.total) == (0, 1)
    assert (after.counted, after.total) == (1, 1)


@pytest.mark.parametrize(("day", "total"), [(30, 0), (31, 1)])
def test_a_session_enters_the_denominator_once_its_30_days_have_passed(db, day, total):
    session = make.make_session()
    today = session.started_at.date() + dt.timedelta(days=day)

    one = result(overview(session.centre, session.started_at.year, today=today), "complication")

    assert one.total == total


def test_decisions_are_held_against_the_leader_of_that_moment(db):
    best, other = make.make_site(label="best"), None
    session = best.session
    other = make.make_site(best.tributary, label="other")
    for number, (site, mean) in enumerate([(None, 900), (best, 1000), (None, 900), (other, 930), (None, 900)]):
        make.enter(make.make_epoch(session, site, start_s=60 * number), mean=mean)
    refresh_responses(session.pk)
    by, key = make.writer_of(session.centre), "dpdt_max_mmhg_per_s"
    for site in (other, best):
        record_decision(by=by, session=session, site=site, reason="Invented", metric=key)

    one = result(overview(session.centre, session.started_at.year), "decision-matched")

    assert (one.counted, one.total) == (1, 1)


def test_the_lists_behind_a_number_are_as_long_as_the_number(year):
    shown = overview(year.centre, YEAR, today=TODAY)

    def lengths(indicator):
        groups = ("counted", "total", "left-out")
        return tuple(len(sessions_behind(indicator, year.centre, YEAR, group, today=TODAY)) for group in groups)

    assert {one.key: lengths(one) for one in INDICATORS} == {
        one.indicator.key: (one.counted, one.total, sum(one.left_out.values())) for one in shown.proportions
    }


def test_another_centres_sessions_are_not_counted(year):
    other = make_year()

    assert overview(year.centre, YEAR, today=TODAY).sessions == 7
    assert not {s.code for s in other.sessions.values()} - {s.code for s in year.sessions.values()}


def test_the_number_of_queries_does_not_grow_with_sessions(db, django_assert_max_num_queries):
    centre = make.make_centre()
    by = make.writer_of(centre)
    for number in range(200):
        session = make.make_session(make.make_patient(centre, by=by), by=by, outcome="lv_lead_implanted")
        if number % 10 == 0:
            make.make_site(make.make_tributary(session, by=by), by=by)
            make.make_assessment(session.patient, by=by, lvesv_ml=150)
            make.make_adverse_event(session.patient, by=by)
    with django_assert_max_num_queries(4):
        shown = overview(centre, make.START.year)

    assert shown.sessions == 200
    assert result(shown, "complication").counted == 20


@pytest.mark.parametrize("role", [Role.CLINICAL_LEAD, Role.RESEARCHER])
def test_who_may_audit_gets_the_own_centre(db, role):
    session = make.make_session()
    user = make.make_user(role, session.centre)

    assert chosen_centre(user, Right.SEE_AUDIT, None) == (session.centre, [session.centre])
    assert audit_years(session.centre) == [make.START.year]
    with pytest.raises(Centre.DoesNotExist):
        chosen_centre(user, Right.SEE_AUDIT, make.make_centre().code)


@pytest.mark.parametrize("role", [Role.LAB_STAFF, Role.PHYSICIAN, Role.ADMINISTRATOR, None])
def test_who_may_not_audit_is_refused(db, role):
    centre = make.make_centre()
    with pytest.raises(AccessDenied, match="cannot see the audit"):
        chosen_centre(make.make_user(role, centre), Right.SEE_AUDIT, centre.code)
