"""The page that erases a patient: who may open it, what it says will go, and what it needs before anything goes."""

import time

import pytest
from django.urls import reverse

from registry.models import Patient, PatientKey, Role
from registry.selectors import erasing
from registry.selectors.erasures import noted_erasures
from registry.services import erasure as service
from registry.services.merging import merge_patients
from registry.trail.verify import faults
from tests import factories as make

pytestmark = pytest.mark.django_db
ANSWER = {"reason": "request", "code_again": "QX-7741", "password": make.PASSWORD}


@pytest.fixture(autouse=True)
def own_places(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "recordings"
    settings.ERASURES_FILE = tmp_path / "apart" / "erasures.jsonl"


@pytest.fixture
def centre():
    return make.make_centre()


@pytest.fixture
def patient(centre):
    one = make.make_patient(centre, code="QX-7741", family_name="Zebrafield")
    make.make_assessment(one)
    make.make_device(one, serial_number="SN 11")
    make.make_site(make.make_tributary(make.make_session(one)))
    return one


@pytest.fixture
def lead(client, centre):
    client.force_login(make.make_user(Role.CLINICAL_LEAD, centre, password=make.PASSWORD))
    return client


def page(patient):
    return reverse("registry:erase", args=[patient.pk])


def test_the_page_says_who_it_is_and_how_much_will_go(lead, patient):
    html = lead.get(page(patient)).content.decode()

    assert "Zebrafield" in html
    for line in ("Assessments: 1", "Devices: 1", "Sessions: 1", "Tributaries: 1", "Sites: 1"):
        assert f"<li>{line}</li>" in html, line
    assert "Files, such as recordings: 0" in html
    assert "identit" not in html.partition('id="goes"')[2].partition("</ul>")[0]


def test_an_erased_patient_is_gone_and_the_list_says_so(lead, patient):
    other = make.make_patient(patient.centre)

    answer = lead.post(page(patient), ANSWER, follow=True)

    assert not Patient.objects.filter(pk=patient.pk).exists()
    assert not PatientKey.objects.filter(pk=patient.pk).exists()
    assert Patient.objects.filter(pk=other.pk).exists()
    text = answer.content.decode()
    assert "The patient has been erased" in text
    assert "QX-7741" not in text
    assert "Zebrafield" not in text
    assert [one.patients for one in noted_erasures()] == [(patient.pk,)]
    assert list(faults()) == []


WRONG = {
    "no reason": ({"reason": ""}, "Choose the reason."),
    "a reason that is not on the list": ({"reason": "no room"}, "choose one of the options shown"),
    "no code": ({"code_again": ""}, "Type the patient&#x27;s code"),
    "another code": ({"code_again": "QX-7742"}, "The code typed again is not the patient&#x27;s code."),
    "no password": ({"password": ""}, "Enter your password to erase this patient."),
    "a wrong password": ({"password": "wrong"}, "This password is not correct."),
}


@pytest.mark.parametrize("case", WRONG)
def test_without_reason_code_and_password_nothing_goes(lead, patient, case):
    changed, said = WRONG[case]

    answer = lead.post(page(patient), ANSWER | changed)

    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert Patient.objects.filter(pk=patient.pk).exists()
    assert noted_erasures() == []


def confirm(client, page):
    session = client.session
    user = session["_auth_user_id"]
    session["confirmation"] = {"by": user, "at": time.time(), "page": page, "factor": True, "used": False}
    session.save()


def test_a_code_given_for_this_page_stands_for_the_password_once(lead, patient):
    other = make.make_patient(patient.centre, code="QX-2")
    confirm(lead, page(other))
    without = ANSWER | {"password": ""}
    assert lead.post(page(patient), without).status_code == 422  # given for another patient
    confirm(lead, page(patient))

    # A wrong code does not use it up.
    assert lead.post(page(patient), without | {"code_again": "QX-2"}).status_code == 422
    assert lead.post(page(patient), without).status_code == 302

    assert not Patient.objects.filter(pk=patient.pk).exists()
    assert lead.session["confirmation"]["used"]


def test_wrong_passwords_are_counted(lead, patient):
    for _ in range(5):
        assert lead.post(page(patient), ANSWER | {"password": "wrong"}).status_code == 422
    answer = lead.post(page(patient), ANSWER)
    assert answer.status_code == 422
    assert "Too many attempts" in answer.content.decode()
    assert Patient.objects.filter(pk=patient.pk).exists()


@pytest.mark.parametrize("role", [role for role in Role.values if role != Role.CLINICAL_LEAD])
def test_nobody_but_the_clinical_lead_erases_or_is_shown_the_way(client, patient, role):
    client.force_login(make.make_user(role, patient.centre))
    assert client.post(page(patient), ANSWER).status_code == 403
    assert Patient.objects.filter(pk=patient.pk).exists()
    assert page(patient) not in client.get(reverse("registry:patient", args=[patient.pk])).content.decode()


def test_the_lead_finds_the_page_and_that_of_another_centre_does_not(client, lead, patient):
    assert page(patient) in lead.get(reverse("registry:patient", args=[patient.pk])).content.decode()
    client.force_login(make.make_user(Role.CLINICAL_LEAD, make.make_centre()))
    assert client.post(page(patient), ANSWER).status_code == 404


def test_a_merged_code_is_erased_with_the_one_that_stays(lead, patient):
    kept = make.make_patient(patient.centre, code="QX-1")
    by = make.make_user(Role.CLINICAL_LEAD, patient.centre)
    merge_patients(by=by, kept=kept, merged=patient, reason="twice")

    html = lead.get(page(patient)).content.decode()
    assert '<form method="post" class="sheet"' not in html
    assert "was merged into" in html
    assert lead.post(page(patient), ANSWER).status_code == 422
    assert "QX-7741" in lead.get(page(kept)).content.decode()

    assert lead.post(page(kept), ANSWER | {"code_again": "QX-1"}).status_code == 302
    assert not Patient.objects.exists()


def test_links_that_this_page_may_not_blank_are_left_to_the_command(lead, patient, monkeypatch):
    monkeypatch.setattr(service, "links_to_blank", lambda *_: ["one"])
    monkeypatch.setattr(service, "may_blank", lambda: False)

    answer = lead.post(page(patient), ANSWER)

    assert answer.status_code == 422
    assert "Ask the person who runs the service" in answer.content.decode()
    assert Patient.objects.filter(pk=patient.pk).exists()
    assert noted_erasures() == []


def test_a_file_that_cannot_be_removed_is_said(lead, patient, monkeypatch):
    def fail(_):
        raise OSError(5, "no")

    monkeypatch.setattr(service, "_remove_files", fail)
    monkeypatch.setattr(service.transaction, "on_commit", lambda run: run())

    answer = lead.post(page(patient), ANSWER, follow=True)

    assert "a file could not be removed" in answer.content.decode()


def test_the_owner_of_the_tables_may_blank_links():
    assert erasing.may_blank()
