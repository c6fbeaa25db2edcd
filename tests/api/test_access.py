"""Who may read and write what; everything else is refused or not found."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from registry.models import Change, Member, Role
from registry.models.base import new_key
from tests.api.conftest import Api, World
from tests.api.names import READ_ONLY, READABLE, WRITABLE
from tests.factories import (
    enter,
    make_adverse_event,
    make_assessment,
    make_consent,
    make_device,
    make_epoch,
    make_measurement,
    make_user,
)


@pytest.mark.parametrize("collection", READABLE)
def test_anonymous_reads_nothing(db: None, collection: str) -> None:
    for path in (collection, f"{collection}/{new_key()}"):
        answer = Api().get(path)
        assert answer.status_code == 403
        assert answer.json()["code"] == "not_authenticated"


@pytest.mark.parametrize("collection", WRITABLE)
def test_anonymous_writes_nothing(bodies: dict[str, dict[str, Any]], collection: str) -> None:
    links = Change.objects.count()
    assert Api().make(collection, bodies[collection]).status_code == 403
    assert Change.objects.count() == links


def test_anonymous_does_not_read_the_document(db: None) -> None:
    assert Api().get("openapi.json").status_code == 403


def test_session_log_in_needs_the_csrf_token(world: World, bodies: dict[str, dict[str, Any]]) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(world.physician)
    path = f"/api/v1/sites/{new_key()}"
    answer = client.put(path, bodies["sites"], content_type="application/json")
    assert answer.status_code == 403
    assert "CSRF" in answer.json()["message"]
    client.cookies["csrftoken"] = "a" * 32
    with_token = client.put(path, bodies["sites"], content_type="application/json", headers={"X-CSRFToken": "a" * 32})
    assert with_token.status_code == 201


@pytest.mark.parametrize("collection", sorted(READ_ONLY))
def test_read_only_collections_refuse_writing(api: Api, collection: str) -> None:
    answer = api.make(collection, {})
    assert answer.status_code == 405
    assert answer.json()["code"] == "method_not_allowed"


@pytest.mark.parametrize("method", ["post", "patch", "delete", "options"])
def test_other_methods_are_refused(api: Api, world: World, method: str) -> None:
    answer = getattr(api.client, method)(f"/api/v1/sites/{world.site.pk}")
    assert answer.status_code == 405


def records_of(world: World) -> dict[str, str]:
    """Return the key of one record of each collection in a centre."""
    epoch = make_epoch(world.session, world.site)
    (metric,) = enter(epoch)
    return {
        "patients": world.patient.pk,
        "consents": make_consent(world.patient).pk,
        "devices": make_device(world.patient).pk,
        "assessments": make_assessment(world.patient).pk,
        "adverse-events": make_adverse_event(world.patient).pk,
        "sessions": world.session.pk,
        "tributaries": world.tributary.pk,
        "sites": world.site.pk,
        "lead-measurements": make_measurement(world.site).pk,
        "epochs": epoch.pk,
        "epoch-metrics": metric.pk,
    }


def test_records_of_another_centre_are_not_found(api: Api, world: World, elsewhere: World) -> None:
    ours, theirs = records_of(world), records_of(elsewhere)
    for collection, key in theirs.items():
        answer = api.get(f"{collection}/{key}")
        assert answer.status_code == 404, collection
        assert answer.json() == {"code": "not_found", "message": "This was not found.", "fields": {}}
        listed = {record["id"] for record in api.get(collection).json()["results"]}
        assert str(ours[collection]) in listed
        assert str(key) not in listed


@pytest.mark.parametrize(
    "collection", ["sessions", "sites", "tributaries", "lead-measurements", "epochs", "assessments"]
)
def test_record_of_another_centre_is_not_overwritten(
    api: Api, elsewhere: World, bodies: dict[str, dict[str, Any]], collection: str
) -> None:
    key = records_of(elsewhere)[collection]
    before = Change.objects.count()
    for version in ({}, {"version": 1}):
        answer = api.put(f"{collection}/{key}", bodies[collection] | version)
        assert answer.status_code == 404
    assert Change.objects.count() == before


@pytest.mark.parametrize(
    ("collection", "reference"),
    [
        ("sites", "session"),
        ("sites", "tributary"),
        ("lead-measurements", "site"),
        ("epochs", "session"),
        ("epochs", "site"),
        ("log-entries", "session"),
        ("decisions", "site"),
        ("sessions", "patient"),
        ("consents", "patient"),
        ("adverse-events", "patient"),
    ],
)
def test_reference_to_another_centre_is_not_found(
    api: Api, elsewhere: World, bodies: dict[str, dict[str, Any]], collection: str, reference: str
) -> None:
    theirs = {
        "session": elsewhere.session,
        "tributary": elsewhere.tributary,
        "site": elsewhere.site,
        "patient": elsewhere.patient,
    }
    answer = api.make(collection, bodies[collection] | {reference: str(theirs[reference].pk)})
    assert answer.status_code == 404


def test_operator_is_a_colleague(api: Api, world: World, elsewhere: World, bodies: dict[str, dict[str, Any]]) -> None:
    body = bodies["sessions"]
    assert api.make("sessions", body | {"operator": str(elsewhere.physician.pk)}).status_code == 404
    assert api.make("sessions", body | {"operator": str(world.physician.pk)}).status_code == 201


def test_who_left_is_named_anew_by_nobody_and_stays_where_named(
    api: Api, world: World, bodies: dict[str, dict[str, Any]]
) -> None:
    left = make_user(Role.PHYSICIAN, world.centre)
    body = bodies["sessions"]
    key = new_key()
    other = make_user(Role.PHYSICIAN, world.centre)
    assert api.put(f"sessions/{key}", body | {"operator": str(left.pk)}).status_code == 201
    Member.objects.filter(user__in=(left, other)).update(ended_on=timezone.localdate())

    assert api.make("sessions", body | {"operator": str(other.pk)}).status_code == 404
    changed = api.put(f"sessions/{key}", body | {"operator": str(left.pk), "notes": "Later.", "version": 1})
    assert changed.status_code == 200, changed.content


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR, None])
def test_roles_without_the_bedside_see_and_write_nothing(
    world: World, bodies: dict[str, dict[str, Any]], role: str | None
) -> None:
    api = Api(make_user(role, world.centre))
    for collection in READABLE:
        assert api.get(collection).json()["results"] == []
    assert api.get(f"sites/{world.site.pk}").status_code == 404
    for collection in WRITABLE:
        assert api.make(collection, bodies[collection]).status_code == 404


def test_lab_staff_write_but_do_not_decide(world: World, bodies: dict[str, dict[str, Any]]) -> None:
    api = Api(make_user(Role.LAB_STAFF, world.centre))
    assert api.make("log-entries", bodies["log-entries"]).status_code == 201
    answer = api.make("decisions", bodies["decisions"])
    assert answer.status_code == 403
    assert answer.json() == {
        "code": "not_allowed",
        "message": "Only a physician can record the decision.",
        "fields": {},
    }


def test_patients_are_pseudonymous(api: Api, world: World) -> None:
    record = api.get(f"patients/{world.patient.pk}").json()
    assert set(record) == {
        *("id", "version", "created_at", "updated_at"),
        *("centre", "code", "sex", "aetiology", "died_on", "death_cause"),
        *("follow_up_ended_on", "follow_up_ended_because"),
    }
