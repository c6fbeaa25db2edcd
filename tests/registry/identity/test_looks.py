"""Every page that shows an identifier leaves one row: who, when, which page, whose."""

import re
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import settings as conf
from django.db import Error, connection, transaction
from django.urls import reverse

from procedures.services.scanning import put_scanned_part
from registry.models import Look, Role
from registry.models.encrypted import EncryptedTextField
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def patients(centre):
    return [make.make_patient(centre) for _ in range(3)]


def looks():
    return [(look.page, look.user_name, set(look.patients.split())) for look in Look.objects.order_by("at", "id")]


def test_the_page_of_a_patient_is_one_look(client, lead, patients):
    make.make_device(patients[0], serial_number="SN-4")
    client.force_login(lead)

    client.get(reverse("registry:patient", args=[patients[0].pk]))

    assert looks() == [("registry:patient", str(lead), {str(patients[0].pk)})]
    assert Look.objects.get().centre_id == patients[0].centre_id


def test_a_table_that_is_made_while_it_is_sent_is_recorded_before_it_leaves(client, lead, patients, monkeypatch):
    monkeypatch.setattr("config.middleware.PIECES_A_LOOK", 2)
    for one in patients:
        make.make_device(one, model_name="Invented 4", serial_number="SN-4")
    client.force_login(lead)

    answer = iter(client.get(reverse("registry:recall_csv"), {"model": "Invented 4"}).streaming_content)
    assert not Look.objects.exists()

    sent = [next(answer) for _ in range(2)]  # the header, and the first of them
    assert patients[0].code in sent[1].decode()
    assert looks() == [("registry:recall_csv", str(lead), {str(patients[0].pk)})]
    list(answer)
    assert {key for _, _, keys in looks() for key in keys} == {str(one.pk) for one in patients}
    assert Look.objects.count() == 2


def test_the_serial_number_of_a_scanned_label_is_a_look(client, lead, patients):
    session = make.make_session(patients[0])
    label = put_scanned_part(by=lead, session=session, part="lv_lead", scanned_text="SN-4242")
    client.force_login(lead)

    client.get(reverse("procedures:parts", args=[session.pk]))
    assert looks() == []  # the list shows none

    client.get(reverse("procedures:new_part", args=[session.pk]), {"scanned": label.pk})
    assert looks() == [("procedures:new_part", str(lead), {str(patients[0].pk)})]


def test_every_identifier_tells_whose_it_is():
    """Only then is its reading noted. A file on its way in belongs to no patient yet; a trail key names none."""
    without = {
        model._meta.label
        for model in apps.get_models()
        if any(isinstance(field, EncryptedTextField) for field in model._meta.concrete_fields)
        and not hasattr(model, "patient_id")
    }
    assert without == {"registry.TableImport", "registry.ImportPiece", "registry.PatientKey"}


def test_a_list_is_one_row_with_all_of_them(client, lead, patients, django_assert_max_num_queries):
    client.force_login(lead)
    with django_assert_max_num_queries(16):
        client.get(reverse("registry:patients"))

    assert looks() == [("registry:patients", str(lead), {str(one.pk) for one in patients})]
    assert Look.objects.get().patient_count == 3


def test_patients_of_two_centres_are_a_row_each(client, patients):
    other = make.make_patient()
    user = make.make_user(Role.PHYSICIAN, other.centre)
    make.add_member(by=None, centre=patients[0].centre, user=user, role=Role.LAB_STAFF)
    client.force_login(user)

    client.get(reverse("registry:patients"))

    assert {look.centre_id: look.patient_count for look in Look.objects.all()} == {
        other.centre_id: 1,
        patients[0].centre_id: 3,
    }


def test_the_session_and_its_report_are_looks(client, lead, patients):
    session = make.make_session(patients[1])
    client.force_login(lead)
    for name in ("procedures:session", "procedures:report"):
        client.get(reverse(name, args=[session.pk]))

    assert [(page, seen) for page, _, seen in looks()] == [
        ("procedures:session", {str(patients[1].pk)}),
        ("procedures:report", {str(patients[1].pk)}),
    ]


def test_pages_without_identifiers_leave_none(client, lead, patients):
    make.make_assessment(patients[0])
    client.force_login(lead)
    for path in (
        reverse("procedures:sessions"),
        reverse("registry:patient_figure", args=[patients[0].pk]),
        reverse("registry:new_patient"),
        reverse("registry:looks"),
        "/api/v1/patients",
    ):
        assert client.get(path).status_code == 200, path

    assert looks() == []


def test_somebody_who_does_not_see_identifiers_is_not_said_to_have_looked(client, patients):
    client.force_login(make.make_user(Role.RESEARCHER, patients[0].centre))
    client.get(reverse("registry:patient", args=[patients[0].pk]))

    assert looks() == []


def test_registering_is_no_look(client, lead, patients):
    client.force_login(lead)
    make.make_patient(patients[0].centre)

    assert looks() == []


def test_the_lead_reads_who_looked_page_by_page(client, lead, patients):
    client.force_login(lead)
    for _ in range(3):
        client.get(reverse("registry:patient", args=[patients[0].pk]))
    client.get(reverse("registry:patients"))

    page = client.get(reverse("registry:looks"))
    assert page.context["page"].paginator.count == 4
    assert "List of patients" in page.content.decode()

    one = client.get(reverse("registry:looks"), {"patient": patients[1].code})
    assert one.context["page"].paginator.count == 1
    missing = client.get(reverse("registry:looks"), {"patient": "P-9999"})
    assert missing.status_code == 422
    assert "None of your patients has this code." in missing.content.decode()


def test_two_hundred_looks_cost_the_same_queries(client, lead, patients, django_assert_max_num_queries):
    client.force_login(lead)
    one = Look(
        centre_id=patients[0].centre_id, user_id=lead.pk, user_name="x", page="registry:patient", patient_count=1
    )
    Look.objects.bulk_create(
        [
            Look(
                at=make.START,
                centre_id=one.centre_id,
                user_id=one.user_id,
                user_name="x",
                page=one.page,
                patients=str(patients[number % 3].pk),
                patient_count=1,
            )
            for number in range(200)
        ]
    )
    with django_assert_max_num_queries(12):
        page = client.get(reverse("registry:looks"), {"page": 2})

    assert len(page.context["rows"]) == 50


@pytest.mark.parametrize("role", [Role.LAB_STAFF, Role.PHYSICIAN, Role.RESEARCHER, Role.ADMINISTRATOR])
def test_others_do_not(client, centre, role):
    client.force_login(make.make_user(role, centre))

    assert client.get(reverse("registry:looks")).status_code == 403
    assert client.get(reverse("registry:duplicates")).status_code == 403


def test_another_centres_looks_are_not_seen(client, lead, patients):
    elsewhere = make.make_user(Role.CLINICAL_LEAD)
    client.force_login(lead)
    client.get(reverse("registry:patient", args=[patients[0].pk]))
    client.force_login(elsewhere)

    assert client.get(reverse("registry:looks")).context["page"].paginator.count == 0
    assert client.get(reverse("registry:looks"), {"patient": patients[0].code}).status_code == 422


def test_the_database_refuses_to_rewrite_looks(client, lead, patients):
    client.force_login(lead)
    client.get(reverse("registry:patients"))
    for act in (lambda: Look.objects.update(user_name="x"), Look.objects.all().delete):
        with pytest.raises(Error, match="append-only"), transaction.atomic():
            act()
    if connection.vendor == "sqlite":
        with pytest.raises(Error, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("INSERT OR REPLACE INTO registry_look SELECT * FROM registry_look")
    assert Look.objects.count() == 1


def test_no_code_reads_identifiers_past_the_attribute_that_notes_it():
    """Reading by ``values`` would decrypt without a trace; the comparison of duplicates says why it may."""
    past = re.compile(r"identity__(family_name|given_name|birth_date|local_identifier)\b(?!_)")
    found = [
        str(path)
        for room in ("registry", "procedures", "analytics", "config")
        for path in (Path(conf.BASE_DIR) / room).rglob("*.py")
        if past.search(path.read_text(encoding="utf-8"))
    ]

    assert found == []
