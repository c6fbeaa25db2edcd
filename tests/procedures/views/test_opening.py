"""Opening and describing a session, and its log."""

import datetime as dt

import pytest
from django.urls import reverse

from procedures.models import EntryKind, Outcome, Session
from procedures.services.sessions import describe_session, log
from registry.models import Role
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of

NEW = reverse("procedures:new_session")
TYPED = {"procedure": "upgrade", "baseline_pacing": "rv_paced"}


@pytest.fixture
def patient(centre, physician):
    return make.make_patient(centre, by=physician, local_identifier="HOSP-4711")


def test_new_session_opens_for_a_code(doctor, patient):
    answer = doctor.post(NEW, fill(doctor.get(NEW), patient=f" {patient.code.lower()} ", **TYPED))
    opened = Session.objects.get()
    assert answer.url == reverse("procedures:session", args=[opened.pk])
    assert opened.patient == patient
    assert opened.baseline_pacing == "rv_paced"


def test_new_session_finds_a_hospital_number(doctor, patient):
    doctor.post(NEW, fill(doctor.get(NEW), patient="HOSP-4711", **TYPED))
    assert Session.objects.get().patient == patient


def test_same_form_twice_opens_one_session(doctor, patient):
    data = fill(doctor.get(NEW), patient=patient.code, **TYPED)
    first, second = doctor.post(NEW, data), doctor.post(NEW, data)
    assert first.url == second.url
    assert Session.objects.count() == 1


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"patient": None}, "Enter the patient's code or hospital number."),
        ({"patient": "P-9999"}, "No patient with this code or hospital number. Register the patient first."),
        ({"procedure": None}, "Kind of procedure: choose one answer."),
        ({"baseline_pacing": None}, "Baseline that sites are compared with: choose one answer."),
        ({"started_at": "yesterday"}, "Start of the session: enter a date and time, such as 02/03/2026 14:05."),
        ({"started_at": None}, "Start of the session: enter the date and time."),
    ],
)
def test_new_session_says_what_is_wrong(doctor, patient, typed, message):
    answer = doctor.post(NEW, fill(doctor.get(NEW), **({"patient": patient.code} | TYPED | typed)))
    assert answer.status_code == 422
    assert message in messages_of(answer)
    assert not Session.objects.exists()
    assert "<title>To correct: New session" in answer.content.decode()


def test_patient_of_another_centre_is_not_known(doctor):
    make.make_patient(local_identifier="HOSP-0815")
    answer = doctor.post(NEW, fill(doctor.get(NEW), patient="HOSP-0815", **TYPED))
    assert answer.status_code == 422


def test_code_that_two_centres_use_has_to_be_told_apart(doctor, patient, physician):
    other = make.make_patient()
    assert other.code == patient.code
    make.add_member(by=None, centre=other.centre, user=physician, role=Role.PHYSICIAN)
    answer = doctor.post(NEW, fill(doctor.get(NEW), patient=patient.code, **TYPED))
    assert "Several of your centres have a patient with this code" in messages_of(answer)[0]


def test_patient_meant_is_named_while_typed(doctor, patient):
    url = reverse("procedures:patient_meant")
    assert patient.identity.family_name in doctor.get(url, {"patient": patient.code}).content.decode()
    assert "No patient" in doctor.get(url, {"patient": "P-9999"}).content.decode()
    assert doctor.get(url, {"patient": ""}).content.decode().strip() == ""


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_opening_is_refused_to_other_roles(client, centre, role):
    client.force_login(make.make_user(role, centre))
    assert client.get(NEW).status_code == 403
    assert client.post(NEW, {}).status_code == 403
    assert client.get(reverse("procedures:patient_meant")).status_code == 403


def details_of(session):
    return reverse("procedures:session_details", args=[session.pk])


def test_details_are_saved_with_decimal_comma(doctor, session, physician):
    url = details_of(session)
    typed = {"outcome": "lv_lead_implanted", "contrast_ml": "62,5", "operator": str(physician.pk)}
    answer = doctor.post(url, fill(doctor.get(url), **typed))
    session.refresh_from_db()
    assert answer.status_code == 302
    assert session.contrast_ml == 62.5
    assert session.outcome == Outcome.LV_LEAD_IMPLANTED
    assert session.operator == physician
    assert session.fluoroscopy_min is None


def test_details_unchanged_make_no_new_version(doctor, session):
    url = details_of(session)
    doctor.post(url, fill(doctor.get(url)))
    assert Session.objects.get().version == session.version


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"contrast_ml": "much"}, "Contrast: enter only a number, in mL."),
        ({"contrast_ml": "5000"}, "Contrast: enter a value from 0 to 1000 mL, or leave it empty."),
        ({"ended_at": "2020-01-01T00:00:00"}, "The end is before the start."),
        ({"outcome": None}, "Outcome of the session: choose one."),
    ],
)
def test_details_say_what_is_wrong(doctor, session, typed, message):
    url = details_of(session)
    answer = doctor.post(url, fill(doctor.get(url), **typed))
    assert answer.status_code == 422
    assert message in messages_of(answer)


def test_details_changed_meanwhile_show_both_versions(doctor, session, physician):
    url = details_of(session)
    data = fill(doctor.get(url), contrast_ml="40", outcome="abandoned")
    describe_session(by=physician, session=session, contrast_ml=55.0)
    answer = doctor.post(url, data)
    assert answer.status_code == 409
    shown = {one.label: (one.yours, one.stored) for one in answer.context["form"].conflict}
    assert shown["Contrast"] == ("40.0", "55.0")
    assert shown["Outcome of the session"] == ("Abandoned", "Not yet recorded")
    session.refresh_from_db()
    assert session.contrast_ml == 55
    replaced = doctor.post(url, fill(answer))
    session.refresh_from_db()
    assert replaced.status_code == 302
    assert session.contrast_ml == 40


def test_signed_session_asks_for_the_reason_of_a_change(doctor, session, physician):
    make.end_session(session)
    make_signed(session, physician)
    url = details_of(session)
    data = fill(doctor.get(url), contrast_ml="40")
    refused = doctor.post(url, data)
    assert refused.status_code == 422
    assert "Enter the reason for changing the signed session." in messages_of(refused)
    assert doctor.post(url, data | {"amendment_reason": "Misread"}).status_code == 302
    assert session.amendments.get().reason == "Misread"


def make_signed(session, physician):
    from procedures.services.sessions import sign_session

    sign_session(by=physician, session=session)


def test_log_entry_is_written_once(doctor, session):
    url = reverse("procedures:new_log_entry", args=[session.pk])
    data = fill(doctor.get(url), kind="venogram", text="Two projections")
    doctor.post(url, data)
    answer = doctor.post(url, data)
    assert answer.url == reverse("procedures:session", args=[session.pk]) + "#timeline"
    assert session.log_entries.get().text == "Two projections"


def test_log_entry_needs_its_kind(doctor, session):
    url = reverse("procedures:new_log_entry", args=[session.pk])
    answer = doctor.post(url, fill(doctor.get(url), text="x"))
    assert answer.status_code == 422
    assert "Event: choose one." in messages_of(answer)


def test_log_entry_is_corrected_with_its_version(doctor, session, physician):
    entry = log(by=physician, session=session, kind=EntryKind.NOTE, text="frist")
    url = reverse("procedures:log_entry", args=[session.pk, entry.pk])
    data = fill(doctor.get(url), text="first")
    assert doctor.post(url, data).status_code == 302
    entry.refresh_from_db()
    assert (entry.text, entry.version) == ("first", 2)
    again = doctor.post(url, data | {"text": "third"})
    assert again.status_code == 409
    assert [one.stored for one in again.context["form"].conflict] == ["first"]


def test_empty_form_offers_now_during_the_session_only(doctor, session, physician):
    def offered(one):
        return doctor.get(reverse("procedures:new_log_entry", args=[one.pk])).context["form"]["occurred_at"].initial

    today = make.make_session(session.patient, by=physician, started_at=dt.datetime.now(dt.UTC))
    assert offered(session) == session.started_at
    assert abs(offered(today) - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=1)


def test_pages_of_another_centre_are_not_found(doctor):
    other = make.make_session()
    for name in ("session_details", "new_log_entry", "new_site", "new_epoch", "new_recording", "decision", "sign"):
        assert doctor.get(reverse(f"procedures:{name}", args=[other.pk])).status_code == 404
