"""The pages of data quality and of queries: from a list to a query and its answer; by role; page by page."""

from __future__ import annotations

import pytest
from django.urls import reverse

from registry.models import DataQuery, QueryTurn, Role, new_key
from registry.services.queries import raise_query
from tests import factories as make

pytestmark = pytest.mark.django_db
BEDSIDE = {Role.LAB_STAFF, Role.PHYSICIAN, Role.CLINICAL_LEAD}


@pytest.fixture
def patient():
    return make.make_patient()


@pytest.fixture
def physician(patient, client):
    by = make.writer_of(patient.centre)
    client.force_login(by)
    return by


def text_of(client, name, *args, **query) -> str:
    answer = client.get(reverse(name, args=args), query)
    assert answer.status_code == 200
    return answer.content.decode()


def test_from_the_list_to_a_query_and_its_answer(client, patient, physician):
    record = make.make_assessment(patient, qrs_duration_ms=250.0, confirmed=True)
    assert "Assessment: values outside the usual range" in text_of(client, "analytics:quality")
    page = text_of(client, "analytics:quality_list", "unusual-assessment")
    where = reverse("queries:raise", args=[patient.pk, "registry.assessment", record.pk])
    assert where in page
    assert "QRS duration 250 ms" in page

    refused = client.post(where, {"key": new_key(), "field": "qrs_duration_ms", "text": ""})
    assert refused.status_code == 422
    answer = client.post(where, {"key": new_key(), "field": "qrs_duration_ms", "text": "<b>250?</b>"})
    query = DataQuery.objects.get()
    assert answer.url == reverse("queries:show", args=[query.pk])
    assert "&lt;b&gt;250?&lt;/b&gt;" in text_of(client, "queries:show", query.pk)
    assert "QRS duration" in text_of(client, "queries:list")
    for name, args in (
        ("registry:patient", [patient.pk]),
        ("registry:record", [patient.pk, record.pk]),
    ):
        about = {"patient_key": patient.pk, "kind": "assessments", "key": record.pk}
        address = reverse(name, kwargs=about) if name == "registry:record" else reverse(name, args=args)
        assert answer.url in client.get(address).content.decode(), "beside the record"

    assert client.post(answer.url, {"act": "answer", "text": ""}).status_code == 422
    assert client.post(answer.url, {"act": "shout", "text": "x"}).status_code == 422
    client.post(answer.url, {"act": "answer", "text": "Measured twice."})
    assert "Measured twice." in text_of(client, "queries:show", query.pk)
    client.post(answer.url, {"act": "close", "text": ""})
    assert answer.url not in text_of(client, "queries:list")
    assert answer.url in text_of(client, "queries:list", state="closed")
    assert answer.url not in text_of(client, "registry:patient", patient.pk)


def test_beside_a_session(client, patient, physician):
    session = make.make_session(patient)
    query = raise_query(by=physician, record_type="procedures.session", record=session, field="", text="Complete?")
    assert reverse("queries:show", args=[query.pk]) in text_of(client, "procedures:session", session.pk)
    assert str(session) in text_of(client, "queries:choose", patient.pk)


def test_long_lists_come_page_by_page_at_a_fixed_cost(client, patient, physician, django_assert_max_num_queries):
    for _ in range(60):
        record = make.make_adverse_event(patient, relation="unknown")
        raise_query(by=physician, record_type="registry.adverseevent", record=record, field="relation", text="Related?")
    with django_assert_max_num_queries(16):
        page = text_of(client, "queries:list")
    assert page.count('scope="row"') == 50
    assert "Page 1 of 2" in page
    with django_assert_max_num_queries(16):
        page = text_of(client, "analytics:quality_list", "event-relation")
    assert page.count('scope="row"') == 50
    assert text_of(client, "queries:list", page="99").count('scope="row"') == 10
    with django_assert_max_num_queries(40):
        text_of(client, "analytics:quality")


@pytest.mark.parametrize("role", Role.values)
def test_pages_by_role_and_centre(client, patient, role):
    physician = make.writer_of(patient.centre)
    query = raise_query(by=physician, record_type="registry.patient", record=patient, field="sex", text="Sure?")
    own, other = make.make_user(role, patient.centre), make.make_user(role)
    centre = {"centre": patient.centre.code}

    client.force_login(own)
    sees = 200 if role in BEDSIDE else 403
    for name in ("analytics:quality", "analytics:quality_figure", "queries:list"):
        assert client.get(reverse(name)).status_code == sees
    assert client.get(reverse("analytics:quality_list", args=["no-baseline"])).status_code == sees
    assert client.get(reverse("queries:show", args=[query.pk])).status_code == (200 if role in BEDSIDE else 404)
    raises = client.get(reverse("queries:choose", args=[patient.pk])).status_code
    assert raises == (200 if role in {Role.PHYSICIAN, Role.CLINICAL_LEAD} else 403)

    client.force_login(other)
    assert client.get(reverse("queries:show", args=[query.pk])).status_code == 404
    assert client.get(reverse("queries:choose", args=[patient.pk])).status_code == 404
    assert client.get(reverse("analytics:quality"), centre).status_code == (404 if role in BEDSIDE else 403)
    assert QueryTurn.objects.count() == 1


def test_a_list_or_record_that_is_not_there(client, patient, physician):
    stranger = make.make_assessment(make.make_patient())
    for address in (
        reverse("analytics:quality_list", args=["ghost"]),
        reverse("queries:raise", args=[patient.pk, "registry.ghost", patient.pk]),
        reverse("queries:raise", args=[patient.pk, "registry.assessment", stranger.pk]),
        reverse("queries:show", args=[patient.pk]),
    ):
        assert client.get(address).status_code == 404
