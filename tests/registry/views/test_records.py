"""Entering and correcting assessments, adverse events, consents and the day of death."""

import re
from html import unescape

import pytest
from django.urls import reverse

from registry.models import AdverseEvent, Assessment, Consent, Device, DeviceCheck, Role
from registry.services.course import put_assessment
from registry.services.patients import describe_patient
from tests import factories as make

pytestmark = pytest.mark.django_db
ASSESSMENT = {
    "kind": "follow_up",
    "assessed_on": "2024-09-01",
    "nyha_class": "unknown",
    "rhythm": "sinus",
    "qrs_morphology": "biv_paced",
    "lvesv_ml": " 131.5 ",
    "lvedv_ml": "190",
}
CHECK = {"checked_on": "2024-09-01", "biventricular_pacing_percent": "97,5", "battery_months": "96"}
LEAD = {"kind": "lead", "chamber": "lv", "model_name": "Invented 4", "implanted_on": "2024-03-02"}
EVENT = {"kind": "haematoma", "occurred_on": "2024-03-03", "severity": "minor", "relation": "unknown"}
CONSENT = {"scope": "research", "given_on": "2024-02-20", "withdrawn_on": ""}


@pytest.fixture
def patient(db):
    return make.make_patient()


@pytest.fixture
def staff(client, patient):
    client.force_login(make.make_user(Role.LAB_STAFF, patient.centre))
    return client


def new(patient, kind):
    return reverse("registry:new_record", kwargs={"patient_key": patient.pk, "kind": kind})


def stored(patient, kind, record):
    return reverse("registry:record", kwargs={"patient_key": patient.pk, "kind": kind, "key": record.pk})


def hidden(staff, address):
    html = staff.get(address).content.decode()
    return {
        name: unescape(value)
        for name, value in re.findall(r'<input type="hidden" name="([a-z_]+)" value="([^"]*)"', html)
        if name != "csrfmiddlewaretoken"
    }


@pytest.mark.parametrize(
    ("kind", "typed", "model"),
    [
        ("assessments", ASSESSMENT, Assessment),
        ("adverse-events", EVENT, AdverseEvent),
        ("consents", CONSENT, Consent),
        ("device-checks", CHECK, DeviceCheck),
        ("devices", LEAD, Device),
    ],
)
def test_a_record_sent_twice_is_written_once(staff, patient, kind, typed, model):
    address = new(patient, kind)
    sent = typed | hidden(staff, address)

    answers = [staff.post(address, sent) for _ in range(2)]

    assert [answer.status_code for answer in answers] == [302, 302]
    assert model.objects.get().patient == patient


def test_numbers_left_empty_are_missing_and_never_zero(staff, patient):
    address = new(patient, "assessments")
    staff.post(address, ASSESSMENT | hidden(staff, address))

    record = Assessment.objects.get()
    assert record.lvesv_ml == 131.5
    assert record.lvef_percent is None
    assert record.nyha_class is None


@pytest.mark.parametrize(
    ("field", "typed", "message"),
    [
        ("lvef_percent", "95", "LVEF: enter a value from 3 to 90 %, or leave it empty."),
        ("lvef_percent", "34 %", "LVEF: enter only a number, in %."),
        ("creatinine_umol_per_l", "1,105", "Creatinine: 1,105 could mean 1105 or 1.105. Enter it without a comma."),
        ("nyha_class", "", "NYHA class: choose one answer."),
        ("nyha_class", "5", "NYHA class: choose one of the options shown."),
        ("assessed_on", "1.9.2024", "Date of assessment: enter the date as year-month-day, such as 2024-03-27."),
        ("assessed_on", "2199-01-01", "The date is in the future. Enter today or an earlier date."),
    ],
)
def test_a_wrong_value_is_said_beside_its_field_and_nothing_is_written(staff, patient, field, typed, message):
    address = new(patient, "assessments")

    answer = staff.post(address, ASSESSMENT | hidden(staff, address) | {field: typed})

    assert answer.status_code == 422
    assert answer.context["form"].errors[field] == [message]
    assert not Assessment.objects.exists()


def test_end_systolic_volume_above_end_diastolic_is_refused(staff, patient):
    address = new(patient, "assessments")

    answer = staff.post(address, ASSESSMENT | hidden(staff, address) | {"lvesv_ml": "200", "lvedv_ml": "190"})

    assert answer.status_code == 422
    assert answer.context["form"].errors
    assert not Assessment.objects.exists()


def test_numbers_are_text_with_a_decimal_keyboard_and_a_unit(staff, patient):
    html = staff.get(new(patient, "assessments")).content.decode()

    assert 'type="number"' not in html
    assert re.search(r'<input type="text" name="lvesv_ml"[^>]*inputmode="decimal"', html)
    assert "(mL, optional)" in html


def test_correcting_shows_what_is_stored_and_raises_the_version(staff, patient):
    record = make.make_assessment(patient, lvef_percent=30, nyha_class=2)
    address = stored(patient, "assessments", record)
    page = staff.get(address).content.decode()
    assert re.search(r'name="nyha_class" value="2"[^>]*checked', page)

    sent = ASSESSMENT | hidden(staff, address) | {"lvef_percent": "33"}
    answer = staff.post(address, sent)

    record.refresh_from_db()
    assert answer.status_code == 302
    assert (record.lvef_percent, record.version) == (33, 2)


def test_correcting_what_somebody_else_changed_shows_both(staff, patient):
    record = make.make_assessment(patient, lvef_percent=30)
    address = stored(patient, "assessments", record)
    opened = hidden(staff, address)
    put_assessment(
        by=make.writer_of(patient.centre), patient=patient, key=record.pk, version=1, kind="before", lvef_percent=41
    )

    answer = staff.post(address, ASSESSMENT | opened | {"lvef_percent": "33"})

    html = answer.content.decode()
    assert answer.status_code == 409
    assert "Somebody else has changed this" in html
    assert ("LVEF", "33.0", "41.0") in [(d.label, d.yours, d.stored) for d in answer.context["form"].conflict]
    assert 'value="33"' in html
    record.refresh_from_db()
    assert record.lvef_percent == 41

    # The form that shows both is armed to replace the stored one, unless that changed once more.
    armed = dict(re.findall(r'<input type="hidden" name="(key|record_version)" value="([^"]*)"', html))
    again = staff.post(address, ASSESSMENT | armed | {"lvef_percent": "33"})
    assert again.status_code == 302
    record.refresh_from_db()
    assert (record.lvef_percent, record.version) == (33, 3)
    assert staff.post(address, ASSESSMENT | armed | {"lvef_percent": "35"}).status_code == 409


def test_details_that_somebody_else_changed_can_be_replaced(staff, patient):
    address = reverse("registry:details", kwargs={"patient_key": patient.pk})
    opened = hidden(staff, address)
    describe_patient(by=make.writer_of(patient.centre), patient=patient, version=patient.version, sex="unknown")

    answer = staff.post(address, {"sex": "male", "aetiology": patient.aetiology} | opened)
    assert answer.status_code == 409
    html = answer.content.decode()
    assert "Replace with my entry" in html
    armed = dict(re.findall(r'<input type="hidden" name="(key|record_version)" value="([^"]*)"', html))
    assert staff.post(address, {"sex": "male", "aetiology": patient.aetiology} | armed).status_code == 302
    patient.refresh_from_db()
    assert patient.sex == "male"


def test_withdrawing_a_consent_keeps_it(staff, patient):
    consent = make.make_consent(patient)
    address = stored(patient, "consents", consent)

    staff.post(address, CONSENT | hidden(staff, address) | {"withdrawn_on": "2024-03-01"})

    consent.refresh_from_db()
    assert str(consent.withdrawn_on) == "2024-03-01"


def test_withdrawal_before_the_consent_is_refused(staff, patient):
    address = new(patient, "consents")

    answer = staff.post(address, CONSENT | hidden(staff, address) | {"withdrawn_on": "2024-01-01"})

    assert answer.context["form"].errors["withdrawn_on"] == ["The end is before the start."]


def test_day_of_death_is_recorded(staff, patient):
    address = reverse("registry:death", args=[patient.pk])
    assert staff.post(address, {"died_on": "2999-01-01"}).status_code == 422

    answer = staff.post(address, {"died_on": "2024-10-01", "death_cause": "sudden"})

    patient.refresh_from_db()
    assert answer.status_code == 302
    assert (str(patient.died_on), patient.death_cause) == ("2024-10-01", "sudden")


def send(staff, address, typed):
    return staff.post(address, typed | hidden(staff, address))


def test_a_laboratory_unit_is_asked_for_and_converted(staff, patient):
    address = new(patient, "assessments")
    typed = ASSESSMENT | {"creatinine_umol_per_l": "1,2", "nt_probnp_pg_per_ml": "100"}

    asked = send(staff, address, typed)
    assert set(asked.context["form"].errors) == {"creatinine_unit", "peptide_unit"}
    assert not Assessment.objects.exists()

    send(staff, address, typed | {"creatinine_unit": "mg/dL", "peptide_unit": "pmol/L"})

    record = Assessment.objects.get()
    assert (record.creatinine_umol_per_l, record.nt_probnp_pg_per_ml) == (106.08, 845.7)
    page = staff.get(stored(patient, "assessments", record)).content.decode()
    assert re.search(r'name="creatinine_umol_per_l" value="106.08"', page)
    assert re.search(r'value="umol/L" selected', page)


def test_a_number_in_the_wrong_unit_is_refused_by_the_range_with_its_unit(staff, patient):
    typed = ASSESSMENT | {"creatinine_umol_per_l": "106", "creatinine_unit": "mg/dL"}

    answer = send(staff, new(patient, "assessments"), typed)

    told = "Creatinine: enter a value from 10 to 2500 µmol/L, or leave it empty."
    assert answer.context["form"].errors["creatinine_umol_per_l"] == [told]


def test_an_unusual_value_is_taken_once_confirmed_and_kept_flagged(staff, patient):
    typed = ASSESSMENT | {"weight_kg": "190"}
    address = new(patient, "assessments")

    asked = send(staff, address, typed)

    assert asked.status_code == 422
    assert "Weight 190 kg is unusual" in asked.content.decode()
    assert 'type="checkbox" name="confirmed"' in asked.content.decode()
    assert not Assessment.objects.exists()
    assert send(staff, address, typed | {"confirmed": "on"}).status_code == 302
    assert Assessment.objects.get().confirmed_unusual == ["weight_kg"]


def test_what_is_not_answered_stays_not_known(staff, patient):
    send(staff, new(patient, "assessments"), ASSESSMENT | {"on_mra": "no", "therapy_optimised": "yes"})

    record = Assessment.objects.get()
    assert (record.on_mra, record.therapy_optimised, record.on_arni) == (False, True, None)
    assert (record.imaging_method, record.quality_of_life_instrument) == ("unknown", "not_asked")


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({"quality_of_life_score": "40"}, "quality_of_life_score", "Enter both the score and the questionnaire"),
        (
            {"quality_of_life_score": "103", "quality_of_life_instrument": "kccq"},
            "quality_of_life_score",
            "The highest score of this questionnaire is 100.",
        ),
        ({"systolic_mmhg": "80", "diastolic_mmhg": "90"}, "diastolic_mmhg", "is higher than systolic"),
    ],
)
def test_what_does_not_fit_together_is_said_beside_its_field(staff, patient, typed, field, message):
    answer = send(staff, new(patient, "assessments"), ASSESSMENT | typed)

    assert message in answer.context["form"].errors[field][0]
    assert not Assessment.objects.exists()


@pytest.mark.parametrize(
    ("typed", "field", "message"),
    [
        ({"chamber": ""}, "chamber", "choose where the lead lies"),
        ({"kind": "generator"}, "chamber", "leave this empty for a generator"),
        ({"explanted_on": "2024-05-01"}, "explant_reason", "say why"),
        ({"explant_reason": "failure"}, "explanted_on", "Enter the date the device or lead"),
        ({"explanted_on": "2024-01-01", "explant_reason": "failure"}, "explanted_on", "before the start"),
        ({"model_name": " "}, "model_name", "Enter the model."),
    ],
)
def test_a_part_is_asked_for_what_belongs_together(staff, patient, typed, field, message):
    answer = send(staff, new(patient, "devices"), LEAD | typed)

    assert message in answer.context["form"].errors[field][0]
    assert not Device.objects.exists()


def test_taking_a_part_out_of_service_keeps_it_with_its_reason(staff, patient):
    device = make.make_device(patient, serial_number="S-1")
    address = stored(patient, "devices", device)
    typed = {"kind": "generator", "model_name": device.model_name, "serial_number": "S-1", "implanted_on": "2024-03-02"}

    assert send(staff, address, typed | {"explanted_on": "2024-09-01", "explant_reason": "battery"}).status_code == 302

    device.refresh_from_db()
    assert (device.explant_reason, device.serial_number, device.version) == ("battery", "S-1", 2)


def test_adverse_events_show_what_counts_as_what(staff, patient):
    html = staff.get(new(patient, "adverse-events")).content.decode()

    assert "re-operation, prolongs the stay or interrupts anticoagulation" in html
    assert "N Engl J Med 2013;368:2084" in html


def test_details_are_corrected_and_the_end_of_follow_up_needs_day_and_reason(staff, patient):
    address = reverse("registry:details", args=[patient.pk])
    typed = {"sex": "male", "aetiology": "non_ischaemic"}

    assert send(staff, address, typed | {"follow_up_ended_on": "2024-10-01"}).status_code == 422
    assert send(staff, address, typed | {"follow_up_ended_because": "lost"}).status_code == 422
    both = typed | {"follow_up_ended_on": "2024-10-01", "follow_up_ended_because": "lost"}
    assert send(staff, address, both).status_code == 302

    patient.refresh_from_db()
    assert (patient.sex, patient.follow_up_ended_because) == ("male", "lost")


def test_a_record_of_another_patient_is_not_found_under_this_one(staff, patient):
    other = make.make_assessment(make.make_patient(patient.centre))

    assert staff.get(stored(patient, "assessments", other)).status_code == 404
