"""The list of sessions and the page of one."""

import datetime as dt

from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from procedures.models import EntryKind
from procedures.services.difficulties import note_difficulty
from procedures.services.sessions import log, sign_session
from procedures.services.thresholds import put_threshold_test
from registry.models import Role
from tests import factories as make

LIST = reverse("procedures:sessions")


def page_of(session):
    return reverse("procedures:session", args=[session.pk])


def test_list_without_sessions_says_what_to_do(doctor):
    text = doctor.get(LIST).content.decode()
    assert "No sessions yet" in text
    assert reverse("procedures:new_session") in text


def test_list_shows_own_centre_only(doctor, session):
    other = make.make_session()
    keys = [row.pk for row in doctor.get(LIST).context["page"]]
    assert session.pk in keys
    assert other.pk not in keys


def test_list_needs_a_log_in(client, db):
    assert client.get(LIST).url.startswith(reverse("login"))


def test_list_refused_to_a_researcher(client, centre):
    client.force_login(make.make_user(Role.RESEARCHER, centre))
    answer = client.get(LIST)
    assert answer.status_code == 403
    assert "cannot see sessions" in answer.content.decode()


def test_list_filters_by_status_year_and_code(doctor, session, physician):
    old = make.make_session(session.patient, by=physician, started_at=dt.datetime(2019, 5, 1, 9, tzinfo=dt.UTC))

    def found(**query):
        return [row.pk for row in doctor.get(LIST, query).context["page"]]

    assert found(year="2019") == [old.pk]
    assert found(q=session.code.lower()) == [session.pk]
    assert set(found(q=session.patient.code)) == {session.pk, old.pk}
    assert set(found(status="open")) == {session.pk, old.pk}
    assert found(status="signed") == []
    assert "No matching sessions" in doctor.get(LIST, {"status": "signed"}).content.decode()


def test_list_ignores_a_filter_that_makes_no_sense(doctor, session):
    assert doctor.get(LIST, {"year": "never", "page": "-3"}).status_code == 200


def test_list_of_two_hundred_is_paged_by_fifty(doctor, session, physician, django_assert_max_num_queries):
    for number in range(199):
        started = make.START + dt.timedelta(days=number)
        make.make_session(session.patient, by=physician, started_at=started)
    with django_assert_max_num_queries(14):
        first = doctor.get(LIST)
    assert len(first.context["page"]) == 50
    assert first.context["page"].paginator.count == 200
    assert len(doctor.get(LIST, {"page": 4}).context["page"]) == 50


def test_session_of_another_centre_is_not_found(doctor):
    assert doctor.get(page_of(make.make_session())).status_code == 404


def test_empty_session_has_a_page(doctor, session):
    text = doctor.get(page_of(session)).content.decode()
    for words in ("No sites yet", "No epochs yet", "No recording", "Nothing logged yet", "no decision recorded"):
        assert words in text


def test_session_shows_the_name_to_those_who_may_see_it(doctor, session):
    assert session.patient.identity.family_name in doctor.get(page_of(session)).content.decode()


def test_full_session_takes_a_fixed_number_of_queries(doctor, session, physician, django_assert_max_num_queries):
    tributary = make.make_tributary(session)
    for number in range(5):
        site = make.make_site(tributary, f"site {number}")
        make.make_measurement(site)
        make.enter(make.make_epoch(session, site, start_s=100 * number))
        note_difficulty(by=physician, session=session, site=site, reason="instability", noted_at=make.START)
        steps = [{"amplitude_v": 1.5, "captured": True}, {"amplitude_v": 1.0, "captured": False}]
        put_threshold_test(by=physician, site=site, pulse_width_ms=0.5, steps=steps, tested_at=make.START)
    for number in range(60):
        at = make.START + dt.timedelta(seconds=30 * number)
        log(by=physician, session=session, kind=EntryKind.NOTE, text=f"note {number}", occurred_at=at)
    doctor.get(page_of(session))
    with django_assert_max_num_queries(35):
        answer = doctor.get(page_of(session))
    assert len(answer.context["timeline"]) == 60 + 5 * 4
    moments = [moment.at for moment in answer.context["timeline"]]
    assert moments == sorted(moments)


def test_timeline_and_report_tell_difficulties_and_threshold_tests_in_words(doctor, session, physician):
    site = make.make_site(make.make_tributary(session, "lateral"), "LAT mid")
    steps = [{"amplitude_v": 1.5, "captured": True}, {"amplitude_v": 1.0, "captured": False}]
    put_threshold_test(by=physician, site=site, pulse_width_ms=0.5, steps=steps, tested_at=make.START)
    noted = {"by": physician, "session": session, "noted_at": make.START}
    note_difficulty(site=site, reason="instability", **noted)
    note_difficulty(tributary=site.tributary, reason="other", text="Valve <at> the ostium.", **noted)
    note_difficulty(reason="no_suitable_vein", **noted)

    def words(page):
        return " ".join(doctor.get(reverse(f"procedures:{page}", args=[session.pk])).content.decode().split())

    timeline = words("session")
    assert "Threshold test at LAT mid <p>Threshold 1.5 V at 0.5 ms, capture lost at 1 V</p>" in timeline
    assert "Difficulty, LAT mid: instability" in timeline
    assert "Difficulty: no suitable vein" in timeline
    report = words("report")
    assert "LAT mid: threshold 1.5 V at 0.5 ms, capture lost at 1 V" in report
    assert "LAT mid: instability" in report
    assert "No suitable vein" in report
    for page in (timeline, report):
        assert f"{site.tributary}: other" in page
        assert "Valve &lt;at&gt; the ostium." in page


def test_report_takes_the_same_queries_for_one_and_for_many(doctor, session, physician, django_assert_num_queries):
    tributary = make.make_tributary(session)
    address = reverse("procedures:report", args=[session.pk])

    def record(number):
        site = make.make_site(tributary, f"site {number}")
        steps = [{"amplitude_v": 1.0, "captured": False}]
        put_threshold_test(by=physician, site=site, pulse_width_ms=0.5, steps=steps, tested_at=make.START)
        note_difficulty(by=physician, session=session, site=site, reason="instability", noted_at=make.START)

    record(0)
    doctor.get(address)
    with CaptureQueriesContext(connection) as one:
        doctor.get(address)
    for number in range(1, 6):
        record(number)
    with django_assert_num_queries(len(one)):
        doctor.get(address)


def test_site_without_measurement_says_so_in_words(doctor, session):
    make.make_site(make.make_tributary(session), "PL mid")
    assert "no electrical measurements yet" in doctor.get(page_of(session)).content.decode()


def test_missing_values_of_a_measurement_are_words(doctor, session):
    make.make_measurement(make.make_site(make.make_tributary(session)))
    text = doctor.get(page_of(session)).content.decode()
    assert text.count("not measured") >= 3


def test_site_not_reached_shows_its_reason(doctor, session):
    make.make_site(make.make_tributary(session), reached=False, not_reached_reason="tortuosity")
    text = doctor.get(page_of(session)).content.decode()
    assert "not reached" in text
    assert "Tortuosity" in text


def test_epoch_tells_where_its_numbers_come_from(doctor, session):
    make.enter(make.make_epoch(session), mean=913)
    text = doctor.get(page_of(session)).content.decode()
    assert "entered by hand" in text
    assert "913" in text


def test_text_of_others_is_escaped(doctor, session, physician):
    log(by=physician, session=session, kind=EntryKind.NOTE, text="<script>alert(1)</script>")
    assert "<script>alert(1)" not in doctor.get(page_of(session)).content.decode()


def test_lab_staff_is_not_offered_decision_and_signature(nurse, session):
    text = nurse.get(page_of(session)).content.decode()
    assert reverse("procedures:decision", args=[session.pk]) not in text
    assert reverse("procedures:sign", args=[session.pk]) not in text


def test_signed_session_offers_the_log_behind_a_reason_only(doctor, session, physician):
    make.end_session(session)
    new_entry = reverse("procedures:new_log_entry", args=[session.pk])
    assert f'action="{new_entry}"' in doctor.get(page_of(session)).content.decode()
    sign_session(by=physician, session=session)
    text = doctor.get(page_of(session)).content.decode()
    assert f'action="{new_entry}"' not in text
    assert f'href="{new_entry}"' in text
    assert "Reason for changing the signed session" in doctor.get(new_entry).content.decode()
