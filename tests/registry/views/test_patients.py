"""The patient pages, through the front door."""

import datetime as dt
import re

import pytest
from django.urls import reverse

from registry.models import Look, Patient, PatientIdentity, Role
from registry.views import patients as views
from tests import factories as make

pytestmark = pytest.mark.django_db
LIST = reverse("registry:patients")
NEW = reverse("registry:new_patient")
TYPED = {
    "local_identifier": " HOSP-77 ",
    "family_name": "Invented",
    "given_name": "Ada",
    "birth_date": "1950-01-31",
    "sex": "female",
    "aetiology": "unknown",
}


@pytest.fixture
def centre(db):
    return make.make_centre(name="Our centre")


@pytest.fixture
def staff(client, centre):
    client.force_login(make.make_user(Role.LAB_STAFF, centre))
    return client


def hidden(staff, address):
    """Return the hidden values of the form on a page, as a browser would send them back."""
    html = staff.get(address).content.decode()
    found = re.findall(r'<input type="hidden" name="([a-z_]+)" value="([^"]*)"', html)
    return {name: value for name, value in found if name != "csrfmiddlewaretoken"}


def page_of(patient):
    return reverse("registry:patient", args=[patient.pk])


def test_list_shows_the_patients_of_the_own_centre_only(staff, centre):
    ours = make.make_patient(centre, family_name="Oursurname")
    make.make_patient(family_name="Theirsurname")

    html = staff.get(LIST).content.decode()

    assert ours.code in html
    assert "Oursurname" in html
    assert "Theirsurname" not in html


def test_list_is_paged(staff, centre, monkeypatch):
    monkeypatch.setattr(views, "PAGE_SIZE", 2)
    patients = [make.make_patient(centre) for _ in range(3)]

    html = staff.get(LIST, {"page": "2"}).content.decode()

    assert "page 2 of 2" in html
    assert patients[2].code in html
    assert patients[0].code not in html


def test_list_costs_the_same_queries_for_many_patients(staff, centre, django_assert_max_num_queries):
    for _ in range(12):
        make.make_assessment(make.make_patient(centre))
    with django_assert_max_num_queries(11):  # with the row that says who looked
        staff.get(LIST)


@pytest.mark.parametrize("sought", ["HOSP-X1", " hosp-x1 ", "code"])
def test_search_leads_straight_to_the_patient(staff, centre, sought):
    patient = make.make_patient(centre, local_identifier="HOSP-X1")

    answer = staff.post(LIST, {"sought": patient.code.lower() if sought == "code" else sought})

    assert answer.status_code == 302
    assert answer.url == page_of(patient)


def test_search_of_another_centres_number_finds_nothing(staff):
    make.make_patient(local_identifier="HOSP-X2")

    answer = staff.post(LIST, {"sought": "HOSP-X2"})

    assert answer.status_code == 422
    assert "No patient has this code or hospital number" in answer.content.decode()


def test_no_identifier_gets_into_an_address(staff, centre):
    make.make_patient(centre, local_identifier="HOSP-X3")
    make.make_patient(centre)

    answer = staff.get(LIST, {"sought": "HOSP-X3"})

    assert answer.status_code == 200
    assert len(answer.context["page"].object_list) == 2


def test_registering_writes_one_patient_however_often_it_is_sent(staff, centre):
    sent = TYPED | hidden(staff, NEW)

    first = staff.post(NEW, sent)
    second = staff.post(NEW, sent)

    patient = Patient.objects.get()
    assert patient.centre == centre
    assert first.url == second.url == page_of(patient)
    assert PatientIdentity.objects.get().local_identifier == "HOSP-77"


def test_a_form_sent_again_with_another_name_is_told_that_nothing_was_written(staff, centre):
    sent = TYPED | hidden(staff, NEW)
    staff.post(NEW, sent)

    answer = staff.post(NEW, sent | {"family_name": "Corrected"})

    code = Patient.objects.get().code
    assert answer.status_code == 422
    assert f"This form has already registered {code}, with a different name" in answer.content.decode()
    assert 'value="Corrected"' in answer.content.decode()
    assert PatientIdentity.objects.get().family_name == "Invented"


def test_no_answer_is_chosen_beforehand(staff):
    html = staff.get(NEW).content.decode()

    assert html.count('type="radio"') == 6
    assert "checked" not in html


def test_missing_answers_are_listed_and_linked(staff):
    answer = staff.post(NEW, hidden(staff, NEW) | {"family_name": "Kept"})

    html = answer.content.decode()
    assert answer.status_code == 422
    assert "Not accepted yet" in html
    assert "<title>To correct: " in html
    assert '<a href="#id_sex">Sex: choose one answer.</a>' in html
    assert 'id="id_sex"' in html
    assert 'value="Kept"' in html
    assert not Patient.objects.exists()


def test_hospital_number_registered_already_is_said_beside_it(staff, centre):
    twin = make.make_patient(centre, local_identifier="HOSP-77")

    answer = staff.post(NEW, TYPED | hidden(staff, NEW))

    assert answer.status_code == 422
    assert answer.context["form"].errors == {
        "local_identifier": [f"This hospital number is already registered, as {twin.code}."]
    }


def shown_again(answer):
    """Return what a browser would send back of a form shown again, but for the box nobody ticked."""
    form = answer.context["form"]
    return {bound.html_name: bound.value() or "" for bound in form if bound.name != "another_person"}


def test_somebody_who_looks_like_a_patient_on_record_is_asked_about_once(staff, centre):
    twin = make.make_patient(centre, family_name="Invented", given_name="Adah", birth_date=dt.date(1950, 1, 31))
    make.make_patient(centre, family_name="Quite", given_name="Different")
    sent = TYPED | hidden(staff, NEW)

    asked = staff.post(NEW, sent)

    html = asked.content.decode()
    assert asked.status_code == 422
    assert Patient.objects.count() == 2, "nothing is written before the answer"
    assert "Is it the same person?" in html
    assert f'<a href="{page_of(twin)}">{twin.code}</a>' in html
    assert "similar name, same birth date" in html
    assert "<time>31 January 1950</time>" in html
    assert "Different" not in html
    assert 'type="checkbox" name="another_person"' in html
    assert "checked" not in html.split('name="another_person"')[1].split(">")[0]

    unanswered = staff.post(NEW, shown_again(asked))
    assert unanswered.status_code == 422
    assert Patient.objects.count() == 2

    answer = staff.post(NEW, shown_again(asked) | {"another_person": "on"})
    again = staff.post(NEW, shown_again(asked))
    new = Patient.objects.get(pk=sent["key"])
    assert answer.url == again.url == page_of(new)
    assert Patient.objects.count() == 3


def test_the_answer_holds_for_the_patients_shown(staff, centre):
    make.make_patient(centre, family_name="Invented", given_name="Ada", birth_date=dt.date(1950, 1, 31))
    other = make.make_patient(centre, family_name="Otherwise", given_name="Bea", birth_date=dt.date(1950, 1, 31))
    asked = staff.post(NEW, TYPED | hidden(staff, NEW))

    corrected = {"another_person": "on", "family_name": "Otherwise", "given_name": "Bea"}
    answer = staff.post(NEW, shown_again(asked) | corrected)

    assert [one.patient for one in answer.context["form"].alike] == [other]
    assert Patient.objects.count() == 2


def test_the_patients_shown_are_looked_at_and_those_compared_are_not(staff, centre):
    twin = make.make_patient(centre, family_name="Invented", given_name="Ada", birth_date=dt.date(1950, 1, 31))
    make.make_patient(centre, family_name="Quite", given_name="Different")

    staff.post(NEW, TYPED | hidden(staff, NEW))

    assert [look.patients.split() for look in Look.objects.all()] == [[str(twin.pk)]]


def test_a_number_on_record_is_refused_before_anybody_is_asked(staff, centre):
    make.make_patient(
        centre, local_identifier="HOSP-77", family_name="Invented", given_name="Ada", birth_date=dt.date(1950, 1, 31)
    )

    answer = staff.post(NEW, TYPED | hidden(staff, NEW))

    assert list(answer.context["form"].errors) == ["local_identifier"]


def test_nobody_of_another_centre_is_asked_about(staff):
    make.make_patient(family_name="Invented", given_name="Ada", birth_date=dt.date(1950, 1, 31))

    assert staff.post(NEW, TYPED | hidden(staff, NEW)).status_code == 302


def test_birth_date_in_the_future_is_refused(staff):
    answer = staff.post(NEW, TYPED | hidden(staff, NEW) | {"birth_date": "2999-01-01"})

    assert "birth_date" in answer.context["form"].errors


def test_patient_page_tells_the_course_and_the_response(staff, centre):
    patient = make.make_patient(centre)
    session = make.make_session(patient)
    make.end_session(session)
    make.make_assessment(patient, lvesv_ml=180, lvedv_ml=240, lvef_percent=25, nyha_class=3)
    make.make_assessment(
        patient, kind="follow_up", assessed_on="2024-09-01", lvesv_ml=153, lvedv_ml=220, lvef_percent=34
    )
    make.make_adverse_event(patient)
    make.make_consent(patient)
    make.make_device(patient, serial_number="SERIAL-9")

    html = " ".join(staff.get(page_of(patient)).content.decode().split())

    assert "LVESV 180 to 153 mL (-15.0 %; the first value is of" in html
    assert ">Responder<" in html
    assert "+9 points" in html
    assert "not measured" in html
    assert "Haematoma" in html
    assert "Research" in html
    assert session.code in html
    assert "SERIAL-9" in html
    assert "does not replace" in html or "do not replace" in html


def test_the_indication_shows_each_criterion_and_the_number_behind_it(staff, centre):
    patient = make.make_patient(centre, sex="female")
    known = {"rhythm": "sinus", "qrs_morphology": "lbbb", "therapy_optimised": True, "nyha_class": 3}
    make.make_assessment(patient, assessed_on="2023-12-01", lvef_percent=31, qrs_duration_ms=142)
    make.make_assessment(patient, assessed_on="2024-02-11", lvef_percent=28, **known)
    make.make_assessment(patient, kind="follow_up", assessed_on="2024-09-01", lvef_percent=45, qrs_duration_ms=120)

    html = " ".join(staff.get(page_of(patient)).content.decode().split())

    assert 'European Society of Cardiology, 2021: <span class="mark solid">class IIa, level B</span>' in html
    assert 'HRS/APHRS/LAHRS, 2023: <span class="mark solid">class 1, level B-R</span>' in html
    assert "142 ms, <time>1 December 2023</time>" in html, "the latest known value, with its day"
    assert "28 %, <time>11 February 2024</time>" in html
    assert "Eur Heart J 2021;42:3427" in html
    assert "entered from memory" in html


def test_an_indication_without_data_says_what_is_missing_and_stops_nothing(staff, centre):
    patient = make.make_patient(centre)
    make.make_assessment(patient, lvef_percent=28)

    html = " ".join(staff.get(page_of(patient)).content.decode().split())

    assert html.count("not assessable: data are missing") == 2
    assert "QRS ≥ 150 ms" in html
    assert make.make_session(patient).pk, "a session is opened all the same"


def test_response_by_every_definition_with_its_rule_and_source(staff, centre):
    patient = make.make_patient(centre)
    make.end_session(make.make_session(patient))
    make.make_assessment(patient, lvesv_ml=180, lvef_percent=25, nyha_class=3)
    make.make_assessment(patient, kind="follow_up", assessed_on="2024-09-01", lvef_percent=46, nyha_class=2)

    html = " ".join(staff.get(page_of(patient)).content.decode().split())

    assert "No LVESV between 3 and 12 months after the implant." in html
    assert ">Super-response" in html or ">Super-responder<" in html
    assert "NYHA class III to II." in html
    assert "Packer, J Card Fail 2001;7:176" in html


def test_device_checks_tell_what_stands_out_and_consents_their_text(staff, centre):
    patient = make.make_patient(centre)
    make.make_device_check(patient, checked_on="2024-04-01", pulse_width_ms=0.5, lv_threshold_v=1.0)
    make.make_device_check(
        patient,
        checked_on="2024-09-01",
        pulse_width_ms=0.5,
        lv_threshold_v=2.5,
        biventricular_pacing_percent=91,
    )
    make.make_consent(patient, document_version="Sheet 3", withdrawn_on="2024-05-01")

    html = " ".join(staff.get(page_of(patient)).content.decode().split())

    assert "Threshold of the left ventricle: 1 to 2.5 V." in html
    assert "Biventricular pacing 91 %: at or below 92 %" in html
    assert "on “Sheet 3”" in html
    assert "withdrawn <time>1 May 2024</time>: not exported from that day" in html


def test_empty_patient_page_says_what_is_missing_in_words(staff, centre):
    html = staff.get(page_of(make.make_patient(centre))).content.decode()

    assert "No assessment recorded." in html
    assert "this patient is not exported" in html


def test_figure_leaves_out_what_was_not_measured(staff, centre):
    patient = make.make_patient(centre)
    make.end_session(make.make_session(patient))
    make.make_assessment(patient, lvef_percent=25)
    make.make_assessment(patient, kind="follow_up", assessed_on="2024-09-01", lvef_percent=34, lvesv_ml=120)

    figure = staff.get(reverse("registry:patient_figure", args=[patient.pk])).json()

    drawn = {trace["name"]: dict(zip(trace["x"], trace["y"], strict=True)) for trace in figure["data"]}
    assert drawn == {
        "LVEF (%)": {"2024-02-11": 25, "2024-09-01": 34},
        "LVESV (mL)": {"2024-09-01": 120},
    }
    assert [shape["x0"] for shape in figure["layout"]["shapes"]] == ["2024-03-02"]


def test_patient_page_costs_a_fixed_number_of_queries(staff, centre, django_assert_max_num_queries):
    patient = make.make_patient(centre)
    for day in range(1, 9):
        make.make_assessment(patient, assessed_on=f"2024-01-0{day}", lvesv_ml=150)
        make.make_adverse_event(patient, occurred_on=f"2024-03-0{day}")
        make.end_session(make.make_session(patient))
    with django_assert_max_num_queries(25):
        staff.get(page_of(patient))
