"""The pages about duplicates, merges and changes: who may open them, what they show, and wrong input."""

import datetime as dt

import pytest
from django.urls import reverse

from procedures.services.decisions import record_decision
from procedures.services.sessions import describe_session, log
from registry.models import Change, Patient, PatientMerge, Role
from registry.models.base import new_key
from registry.services.course import put_adverse_event, put_assessment
from registry.services.merging import merge_patients, undo_merge
from tests import factories as make

pytestmark = pytest.mark.django_db
BEDSIDE = {Role.LAB_STAFF, Role.PHYSICIAN, Role.CLINICAL_LEAD}


@pytest.fixture
def two(centre):
    names = {"family_name": "Zebrafield", "given_name": "Annabella", "birth_date": dt.date(1951, 7, 23)}
    return make.make_patient(centre, **names), make.make_patient(centre, **names)


def addresses(two, merge):
    return {
        "duplicates": reverse("registry:duplicates"),
        "looks": reverse("registry:looks"),
        "merge": reverse("registry:merge", args=[two[0].pk, two[1].pk]),
        "undo_merge": reverse("registry:undo_merge", args=[merge.pk]),
    }


@pytest.mark.parametrize("role", Role.values)
def test_only_the_clinical_lead_judges_duplicates(client, centre, lead, two, role):
    merge = merge_patients(by=lead, kept=two[0], merged=two[1], reason="twice")
    client.force_login(make.make_user(role, centre))
    found = {name: client.get(path).status_code for name, path in addresses(two, merge).items()}
    assert found == dict.fromkeys(found, 200 if role == Role.CLINICAL_LEAD else 403)

    client.force_login(make.make_user(role))  # another centre's
    found = {name: client.get(path).status_code for name, path in addresses(two, merge).items()}
    elsewhere = {"duplicates": 200, "looks": 200, "merge": 404, "undo_merge": 404}
    assert found == (elsewhere if role == Role.CLINICAL_LEAD else dict.fromkeys(found, 403))


@pytest.mark.parametrize("role", Role.values)
def test_who_sees_a_record_sees_what_changed_in_it(client, centre, two, role):
    assessment = make.make_assessment(two[0])
    path = reverse("registry:changes", args=["registry.assessment", assessment.pk])
    client.force_login(make.make_user(role, centre))
    assert client.get(path).status_code == (200 if role in BEDSIDE else 404)

    client.force_login(make.make_user(role))
    assert client.get(path).status_code == 404


def test_the_pair_is_listed_with_its_reasons_and_merged(client, lead, two):
    client.force_login(lead)
    html = client.get(reverse("registry:duplicates")).content.decode()
    assert "1 pair among 2 patients may be the same person" in html
    assert "same name, same birth date" in html

    path = reverse("registry:merge", args=[two[0].pk, two[1].pk])
    answer = client.post(path, {"answer": "second", "reason": "registered twice"}, follow=True)

    assert answer.redirect_chain[-1][0] == reverse("registry:patient", args=[two[1].pk])
    assert f"Also known as</dt><dd>{two[0].code}" in answer.content.decode()
    assert Patient.objects.get(pk=two[0].pk).merged_into == two[1]
    shown = client.get(reverse("registry:duplicates")).content.decode()
    assert "0 pairs among 1 patients" in shown
    old = client.get(reverse("registry:patient", args=[two[0].pk])).content.decode()
    assert "This code was merged into" in old

    merge = PatientMerge.objects.get()
    undone = client.post(reverse("registry:undo_merge", args=[merge.pk]), {"reason": "two people"}, follow=True)
    assert f"{two[0].code} has got its records back." in undone.content.decode()
    again = client.post(reverse("registry:undo_merge", args=[merge.pk]), {"reason": "two people"})
    assert again.status_code == 422
    assert "This merge has already been undone." in again.content.decode()


def test_the_page_says_what_stays_with_the_merged_code_and_takes_nothing_for_it(client, lead, two):
    for one in two:
        make.make_consent(one)
    client.force_login(lead)
    path = reverse("registry:merge", args=[two[0].pk, two[1].pk])

    said = client.post(path, {"answer": "first", "reason": "registered twice"}, follow=True).content.decode()

    assert f"Name, birth date and hospital number registered as {two[1].code} stay with that code." in said
    assert "the other code already had: consent Research 21 February 2024." in said
    old = client.get(reverse("registry:patient", args=[two[1].pk])).content.decode()
    assert "records that the other code already had: consent Research 21 February 2024" in old
    assert "Add assessment" not in old
    new = reverse("registry:new_record", kwargs={"patient_key": two[1].pk, "kind": "consents"})
    answer = client.post(new, {"key": new_key(), "scope": "registry", "given_on": "2024-02-01"})
    assert answer.status_code == 422
    assert f"{two[1].code} was merged into {two[0].code}." in answer.content.decode()


def test_two_people_are_not_asked_about_again(client, lead, two):
    client.force_login(lead)
    path = reverse("registry:merge", args=[two[0].pk, two[1].pk])

    client.post(path, {"answer": "apart", "reason": "cousins"})

    assert "No possible duplicates found." in client.get(reverse("registry:duplicates")).content.decode()


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"answer": ""}, "Decision: choose one answer."),
        ({"answer": "first"}, "Enter the reason."),
        ({"answer": "third", "reason": "x"}, "choose one of the options shown"),
        ({"answer": "first", "reason": "x" * 201}, "at most 200 characters"),
        (
            {"answer": "first", "reason": "a\x00b"},
            "Reason: type it again; it contains a character that cannot be stored.",
        ),
    ],
)
def test_wrong_input_is_said_and_nothing_is_written(client, lead, two, sent, said):
    client.force_login(lead)

    answer = client.post(reverse("registry:merge", args=[two[0].pk, two[1].pk]), sent)

    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not PatientMerge.objects.exists()


def test_a_pair_of_one_is_refused(client, lead, two):
    client.force_login(lead)
    answer = client.post(reverse("registry:merge", args=[two[0].pk, two[0].pk]), {"answer": "first", "reason": "x"})

    assert answer.status_code == 422
    assert "Choose two different patients of one centre." in answer.content.decode()


def test_two_hundred_patients_cost_the_same_queries(client, centre, lead, django_assert_max_num_queries):
    by = make.writer_of(centre)
    for number in range(40):
        for _ in range(2):
            make.make_patient(
                centre, by=by, family_name=f"Quarrington{chr(97 + number % 26)}{number}", given_name="Ida"
            )
    client.force_login(lead)
    with django_assert_max_num_queries(22):
        answer = client.get(reverse("registry:duplicates"))

    assert answer.status_code == 200
    assert len(answer.context["suspects"].pairs) == 50 < answer.context["suspects"].count


def test_a_change_is_shown_with_who_when_old_new_and_why(client, lead, two):
    by = make.writer_of(two[0].centre)
    merge = merge_patients(by=lead, kept=two[0], merged=two[1], reason="registered twice")
    undo_merge(by=lead, merge=merge, reason="cousins after all")
    event = make.make_adverse_event(two[0], by=by, kind="haematoma")
    values = {"kind": "tamponade", "occurred_on": event.occurred_on, "severity": "major", "relation": "related"}
    put_adverse_event(by=by, patient=two[0], key=event.pk, version=1, description="<b>drained</b>", **values)
    client.force_login(lead)

    html = client.get(reverse("registry:changes", args=["registry.adverseevent", event.pk])).content.decode()
    for told in ("Haematoma", "Tamponade", "Minor", "Major", str(by), "&lt;b&gt;drained&lt;/b&gt;", two[0].code):
        assert told in html, told
    patient = client.get(reverse("registry:changes", args=["registry.patient", two[1].pk])).content.decode()
    assert "Reason: registered twice" in patient
    assert "Reason: cousins after all" in patient
    assert "Merged into" in patient


def test_what_was_in_the_clear_is_never_in_the_trail_of_identifiers(client, lead, two):
    client.force_login(lead)
    html = client.get(reverse("registry:changes", args=["registry.patientidentity", two[0].pk])).content.decode()

    assert html.count("(encrypted)") == 4
    assert "Zebrafield" not in html


def test_every_kind_of_record_has_its_page(client, centre, lead, two):
    by = make.writer_of(centre)
    patient = two[0]
    make.make_assessment(patient), make.make_consent(patient), make.make_device(patient, serial_number="SN-1")
    make.make_adverse_event(patient)
    session = make.make_session(patient)
    log(by=by, session=session, kind="note", text="quiet")
    site = make.make_site(make.make_tributary(session))
    make.make_measurement(site)
    make.enter(make.make_epoch(session, site), mean=900)
    record_decision(by=by, session=session, site=site, reason="stable", metric="dpdt_max_mmhg_per_s")
    describe_session(by=by, session=session, ended_at=session.started_at + dt.timedelta(hours=2))
    merge_patients(by=lead, kept=two[0], merged=two[1], reason="twice")
    make.add_member(by=None, centre=centre, user=lead, role=Role.ADMINISTRATOR)
    client.force_login(lead)
    seen = set(Change.objects.filter(centre_id=centre.pk).values_list("record_type", "record_id"))

    kinds = {kind for kind, _ in seen}
    assert len(kinds) >= 14
    for kind, key in seen:
        answer = client.get(reverse("registry:changes", args=[kind, key]))
        assert answer.status_code == 200, kind
        assert "Created" in answer.content.decode(), kind


def test_a_record_changed_often_is_paged_with_the_same_queries(client, lead, two, django_assert_max_num_queries):
    assessment = make.make_assessment(two[0], lvef_percent=20)
    by = make.writer_of(two[0].centre)
    for number in range(45):
        values = {"kind": "before", "assessed_on": assessment.assessed_on, "lvef_percent": 21.0 + number}
        put_assessment(by=by, patient=two[0], key=assessment.pk, version=number + 1, **values)
    client.force_login(lead)
    path = reverse("registry:changes", args=["registry.assessment", assessment.pk])
    with django_assert_max_num_queries(12):
        answer = client.get(path)

    assert (answer.context["page"].paginator.count, len(answer.context["rows"])) == (46, 20)
    assert "page 1 of 3" in answer.content.decode()
    assert len(client.get(path, {"page": 3}).context["rows"]) == 6


@pytest.mark.parametrize("kind", ["registry.assessment", "registry.nothing", "nonsense", "registry.user"])
def test_an_unknown_record_is_not_found(client, lead, kind):
    client.force_login(lead)

    assert client.get(reverse("registry:changes", args=[kind, make.Patient().pk])).status_code == 404


def test_pairs_of_another_centre_than_the_one_asked_for_are_never_shown(client, lead, two):
    client.force_login(lead)
    path = reverse("registry:duplicates")
    assert client.get(path, {"centre": two[0].centre.code}).status_code == 200
    assert client.get(path, {"centre": make.make_centre().code}).status_code == 404
    assert client.get(path, {"centre": "misspelt"}).status_code == 404
