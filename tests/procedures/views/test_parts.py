"""The generators and leads of a session."""

import re
from html import unescape

import pytest
from django.urls import reverse

from procedures.models import PartAct, SessionPart
from procedures.services.scanning import put_scanned_part
from procedures.services.sessions import sign_session
from registry.models import Device, Role
from tests import factories as make

pytestmark = pytest.mark.django_db
LEAD = {"kind": "lead", "chamber": "lv", "model_name": "Invented 4", "serial_number": "S-9", "udi": "(01)0(21)S-9"}


@pytest.fixture
def session(db):
    return make.end_session(make.make_session())


@pytest.fixture
def staff(client, session):
    client.force_login(make.make_user(Role.LAB_STAFF, session.centre))
    return client


def send(staff, address, typed):
    html = staff.get(address).content.decode()
    found = re.findall(r'<input type="hidden" name="([a-z_]+)" value="([^"]*)"', html)
    hidden = {name: unescape(value) for name, value in found if name != "csrfmiddlewaretoken"}
    return [staff.post(address, typed | hidden) for _ in range(2)]


def test_an_implanted_part_sent_twice_is_written_once_and_belongs_to_the_patient(staff, session):
    answers = send(staff, reverse("procedures:new_part", args=[session.pk]), LEAD)

    assert [answer.status_code for answer in answers] == [302, 302]
    device = Device.objects.get()
    assert (device.patient, device.implanted_on, device.udi) == (session.patient, make.DAY, "(01)0(21)S-9")
    assert SessionPart.objects.get().act == PartAct.IMPLANTED
    page = staff.get(reverse("procedures:parts", args=[session.pk])).content.decode()
    assert "Invented 4, serial number S-9" in " ".join(page.split())


LABEL = "]d20109501101530003172401011042ABC7\x1d21DEMO-4242"  # expired on 1 January 2024


def test_a_part_recorded_from_its_label_is_joined_to_it(staff, session):
    by = make.writer_of(session.centre)
    label = put_scanned_part(by=by, session=session, part="lv_lead", scanned_text=LABEL)
    parts = reverse("procedures:parts", args=[session.pk])
    listed = staff.get(parts).content.decode()
    assert "Expired on <time>1 January 2024</time>, before the session" in listed
    address = f"{reverse('procedures:new_part', args=[session.pk])}?scanned={label.pk}"
    form = staff.get(address).content.decode()
    assert 'value="DEMO-4242"' in form
    assert "Expired on <time>1 January 2024</time>" in form

    # The text typed beside it may be another one: the label is joined by its key.
    answers = send(staff, address, LEAD)

    assert [answer.status_code for answer in answers] == [302, 302]
    device = Device.objects.get()
    label.refresh_from_db()
    assert label.device == device
    assert "Scanned but not recorded yet" not in staff.get(parts).content.decode()
    again = send(staff, address, LEAD)[0]
    assert again.status_code == 422
    assert "The device or lead with this label is already recorded." in again.content.decode()
    assert Device.objects.count() == 1


@pytest.mark.parametrize("part", ["delivery", "other"])
def test_a_sheath_is_no_part_of_the_patient(staff, session, part):
    label = put_scanned_part(by=make.writer_of(session.centre), session=session, part=part, scanned_text="X-1")

    answer = staff.get(reverse("procedures:new_part", args=[session.pk]), {"scanned": label.pk})

    assert answer.status_code == 422
    assert "only generators and leads can" in answer.content.decode()


def test_a_label_of_another_session_is_not_found(staff, session):
    label = put_scanned_part(
        by=make.writer_of(session.centre),
        session=make.make_session(session.patient),
        part="lv_lead",
        scanned_text="X-1",
    )
    address = reverse("procedures:new_part", args=[session.pk])
    assert staff.get(address, {"scanned": label.pk}).status_code == 404
    assert staff.get(address, {"scanned": "none"}).status_code == 200


def test_taking_out_of_service_ends_on_the_day_of_the_session(staff, session):
    old = make.make_device(session.patient, implanted_on="2019-01-01")

    answers = send(staff, reverse("procedures:part_out", args=[session.pk, old.pk]), {"explant_reason": "battery"})

    assert answers[0].status_code == 302
    old.refresh_from_db()
    assert (old.explanted_on, old.explant_reason, old.left_in_place) == (make.DAY, "battery", False)
    assert SessionPart.objects.get().act == PartAct.EXPLANTED


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"chamber": ""}, "choose where the lead lies"),
        ({"kind": "generator"}, "leave this empty for a generator"),
        ({"model_name": ""}, "Enter the model."),
        ({"kind": ""}, "Part: choose one answer."),
    ],
)
def test_what_is_missing_is_said_and_nothing_is_written(staff, session, typed, message):
    answer = send(staff, reverse("procedures:new_part", args=[session.pk]), LEAD | typed)[0]

    assert answer.status_code == 422
    assert message in answer.content.decode()
    assert not Device.objects.exists()


def test_a_signed_session_asks_for_a_reason(staff, session):
    sign_session(by=make.writer_of(session.centre), session=session)
    address = reverse("procedures:new_part", args=[session.pk])

    assert send(staff, address, LEAD)[0].status_code == 422
    assert not Device.objects.exists()
    assert send(staff, address, LEAD | {"amendment_reason": "Forgotten."})[0].status_code == 302
    assert session.amendments.get().summary == "Part implanted"


def test_a_part_of_another_patient_is_not_found(staff, session):
    other = make.make_device(make.make_patient(session.centre))

    assert staff.get(reverse("procedures:part_out", args=[session.pk, other.pk])).status_code == 404


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_other_roles_and_other_centres_do_not_get_in(client, session, role):
    pages = [
        reverse("procedures:parts", args=[session.pk]),
        reverse("procedures:new_part", args=[session.pk]),
    ]
    client.force_login(make.make_user(role, session.centre))
    assert all(client.get(page).status_code in (403, 404) for page in pages)
    client.force_login(make.make_user(Role.PHYSICIAN))
    assert [client.get(page).status_code for page in pages] == [404, 404]
