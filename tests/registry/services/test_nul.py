"""The NUL character, which PostgreSQL cannot keep, is refused in a sentence everywhere and on both databases."""

import json

import pytest
from django.urls import reverse

from registry.errors import Conflict, RuleBroken
from registry.models import Assessment, new_key
from registry.services.course import put_adverse_event, put_assessment
from registry.services.records import has_nul
from tests import factories as make

pytestmark = pytest.mark.django_db
NUL = "be\x00fore"


@pytest.fixture
def patient():
    return make.make_patient()


def test_a_service_says_which_field(patient):
    with pytest.raises(RuleBroken, match=r"invalid character \(NUL\)") as refused:
        make.make_adverse_event(patient, description=NUL)

    assert list(refused.value.fields) == ["description"]
    assert not patient.adverse_events.exists()


def test_identifiers_too(patient):
    with pytest.raises(RuleBroken, match=r"invalid character \(NUL\)"):
        make.make_patient(patient.centre, family_name=NUL)


@pytest.mark.parametrize(
    ("value", "there"),
    [
        ("a", False),
        (NUL, True),
        ({"a": [1, NUL]}, True),
        ({NUL: 1}, True),
        ([("x", NUL)], True),
        (None, False),
        (3, False),
    ],
)
def test_it_is_found_wherever_it_stands(value, there):
    assert has_nul(value) is there


def test_a_form_says_it(client, patient):
    client.force_login(make.writer_of(patient.centre))
    path = reverse("registry:new_record", kwargs={"patient_key": patient.pk, "kind": "adverse-events"})
    sent = {"key": str(new_key()), "kind": "haematoma", "occurred_on": "2024-03-03", "severity": "minor"}
    answer = client.post(path, sent | {"relation": "related", "description": NUL})

    assert answer.status_code == 422
    assert "type it again; it contains a character that cannot be stored" in answer.content.decode()


def test_the_api_says_it(client, patient):
    client.force_login(make.writer_of(patient.centre))
    sent = {"patient": str(patient.pk), "kind": "haematoma", "occurred_on": "2024-03-03", "severity": "minor"}
    body = json.dumps(sent | {"description": NUL})
    answer = client.put(f"/api/v1/adverse-events/{new_key()}", body, content_type="application/json")

    assert answer.status_code == 400
    assert answer.json()["fields"] == {"description": ["Null characters are not allowed."]}


@pytest.mark.parametrize(
    "path",
    ["/sessions/?q=a%00b", "/sessions/new/patient/?patient=%00", "/patients/?page=%00", "/api/v1/patients?cursor=%00"],
)
def test_an_address_with_it_is_refused(client, patient, path):
    client.force_login(make.writer_of(patient.centre))

    assert client.get(path).status_code == 400


def test_a_version_of_a_record_that_is_not_there_is_a_conflict(patient):
    by = make.writer_of(patient.centre)
    with pytest.raises(Conflict, match="There is no such record"):
        put_assessment(by=by, patient=patient, key=new_key(), version=1, kind="before", assessed_on=make.DAY)
    assert not Assessment.objects.exists()


def test_the_api_answers_a_version_of_a_metric_that_is_not_there_with_a_conflict(client):
    epoch = make.make_epoch(make.make_session())
    client.force_login(make.writer_of(epoch.session.centre))
    body = json.dumps({"metrics": {"sv_ml": {"mean": 62.5, "version": 3}}})

    answer = client.put(f"/api/v1/epochs/{epoch.pk}/metrics", body, content_type="application/json")

    assert answer.status_code == 409
    assert "There is no such record" in answer.json()["message"]
    assert not epoch.metrics.exists()


def test_an_event_written_again_without_a_version_is_still_new(patient):
    by = make.writer_of(patient.centre)
    values = {"kind": "haematoma", "occurred_on": make.DAY, "severity": "minor", "relation": "related"}

    assert put_adverse_event(by=by, patient=patient, key=new_key(), **values).version == 1
