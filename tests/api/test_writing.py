"""PUT under a key of one's own: created, replayed, changed, refused."""

from __future__ import annotations

import re
from typing import Any

import pytest

from procedures.models import LeadMeasurement, Site
from registry.models import Change, Patient, Role
from registry.models.base import new_key
from registry.services.merging import merge_patients
from tests import factories as make
from tests.api.conftest import Api, World
from tests.api.names import WRITABLE

CHANGES: dict[str, dict[str, Any]] = {
    "sessions": {"notes": "Second look."},
    "log-entries": {"text": "Corrected."},
    "tributaries": {"notes": "Narrow."},
    "sites": {"label": "lateral distal"},
    "lead-measurements": {"impedance_ohm": 640.0},
    "threshold-tests": {"pulse_width_ms": 0.4},
    "difficulties": {"text": "Two sharp bends."},
    "scanned-parts": {"part": "generator"},
    "epochs": {"excluded_reason": "Lead moved."},
    "decisions": {"reason": "Led, and no phrenic stimulation."},
    "assessments": {"lvef_percent": 28.0},
    "device-checks": {"lv_threshold_v": 1.4},
    "consents": {"withdrawn_on": "2026-03-09"},
    "adverse-events": {"relation": "related"},
}


@pytest.mark.parametrize("collection", WRITABLE)
def test_put_creates_then_replays_then_changes_with_version(
    api: Api, bodies: dict[str, dict[str, Any]], collection: str
) -> None:
    path, body = f"{collection}/{new_key()}", bodies[collection]
    created = api.put(path, body)
    assert created.status_code == 201, created.content
    assert created.json()["version"] == 1
    assert created.headers["ETag"] == '"1"'

    links = Change.objects.count()
    replayed = api.put(path, body)
    assert replayed.status_code == 200
    assert replayed.json() == created.json()
    assert Change.objects.count() == links, "a replay leaves no line in the trail"

    changed = api.put(path, body | CHANGES[collection] | {"version": 1})
    assert changed.status_code == 200, changed.content
    assert changed.json()["version"] == 2
    for name, value in CHANGES[collection].items():
        assert changed.json()[name] == value
    assert api.get(path).json() == changed.json()


@pytest.mark.parametrize("collection", WRITABLE)
def test_put_with_stale_version_is_a_conflict_that_shows_both(
    api: Api, bodies: dict[str, dict[str, Any]], collection: str
) -> None:
    path, body = f"{collection}/{new_key()}", bodies[collection]
    api.put(path, body)
    first = api.put(path, body | CHANGES[collection] | {"version": 1}).json()
    field = next(iter(CHANGES[collection]))

    for stale in ({"version": 1}, {}):
        answer = api.put(path, body | stale)
        assert answer.status_code == 409
        problem = answer.json()
        assert problem["code"] == "conflict"
        assert problem["stored"]["version"] == 2
        assert problem["stored"][field] == str(first[field])
        assert problem["yours"][field] != problem["stored"][field]
    assert api.get(path).json() == first, "nothing was written"


def test_version_may_come_as_if_match(api: Api, bodies: dict[str, dict[str, Any]]) -> None:
    path, body = f"sites/{new_key()}", bodies["sites"]
    tag = api.put(path, body).headers["ETag"]
    assert api.put(path, body | {"label": "moved"}, **{"If-Match": tag}).status_code == 200
    assert api.put(path, body | {"label": "again"}, **{"If-Match": tag}).status_code == 409
    disagreeing = api.put(path, body | {"label": "again", "version": 2}, **{"If-Match": '"1"'})
    assert disagreeing.status_code == 400


def test_new_record_needs_a_version_7_key(api: Api, bodies: dict[str, dict[str, Any]]) -> None:
    answer = api.put("sites/6f1c9c3e-58f4-4c55-9d0a-0d6a1e2b3c4d", bodies["sites"])
    assert answer.status_code == 400
    assert "id" in answer.json()["fields"]
    assert not Site.objects.filter(label=bodies["sites"]["label"]).exists()


def test_put_replaces_the_whole_record(api: Api, bodies: dict[str, dict[str, Any]]) -> None:
    path, body = f"sites/{new_key()}", bodies["sites"]
    api.put(path, body | {"notes": "kinked", "long_axis": "mid"})
    changed = api.put(path, body | {"version": 1}).json()
    assert (changed["notes"], changed["long_axis"], changed["aha_segment"]) == ("", "unknown", 12)


def test_unusual_value_needs_confirmation_and_is_kept_flagged(api: Api, bodies: dict[str, dict[str, Any]]) -> None:
    path, body = f"lead-measurements/{new_key()}", bodies["lead-measurements"] | {"capture_threshold_v": 8.0}
    asked = api.put(path, body)
    assert asked.status_code == 422
    assert asked.json()["code"] == "needs_confirmation"
    assert "capture_threshold_v" in asked.json()["fields"]
    assert not LeadMeasurement.objects.exists()

    taken = api.put(path, body | {"confirmed": True})
    assert taken.status_code == 201
    assert taken.json()["confirmed_unusual"] == ["capture_threshold_v"]


@pytest.mark.parametrize(
    ("collection", "wrong", "field"),
    [
        ("sites", {"aha_segment": 18}, "aha_segment"),
        ("sites", {"reached": False}, ""),
        ("lead-measurements", {"impedance_ohm": 9000}, "impedance_ohm"),
        ("lead-measurements", {"pulse_width_ms": None}, ""),
        ("epochs", {"ended_at": "2026-03-02T09:29:00Z"}, "ended_at"),
        ("epochs", {"pacing": {"chambers": "biv", "av_delay_ms": 900}}, "av_delay_ms"),
        ("sessions", {"contrast_ml": -1}, "contrast_ml"),
        ("assessments", {"nyha_class": 5}, "nyha_class"),
        ("decisions", {"metric": "guess"}, "metric"),
    ],
)
def test_rule_broken_is_422_with_the_field_and_writes_nothing(
    api: Api, bodies: dict[str, dict[str, Any]], collection: str, wrong: dict[str, Any], field: str
) -> None:
    links = Change.objects.count()
    answer = api.make(collection, bodies[collection] | wrong)
    assert answer.status_code == 422, answer.content
    assert set(answer.json()) == {"code", "message", "fields"}
    assert field in answer.json()["fields"]
    assert Change.objects.count() == links


@pytest.mark.parametrize(
    ("collection", "wrong", "field"),
    [
        ("sites", {"colour": "blue"}, "colour"),
        ("sites", {"session": "not a key"}, "session"),
        ("sites", {"stability": "wobbly"}, "stability"),
        ("sites", {"label": None}, "label"),
        ("sites", {"label": "x" * 41}, "label"),
        ("sites", {"aha_segment": 10**30}, "aha_segment"),
        ("sites", {"version": 0}, "version"),
        ("lead-measurements", {"impedance_ohm": "nan"}, "impedance_ohm"),
        ("lead-measurements", {"impedance_ohm": True}, "impedance_ohm"),
        ("lead-measurements", {"measured_at": "yesterday"}, "measured_at"),
        ("epochs", {"pacing": {"chambers": "all"}}, "pacing.chambers"),
        ("epochs", {"pacing": {"chambers": "lv", "delay": 3}}, "pacing.delay"),
        ("assessments", {"assessed_on": "2026-02-30"}, "assessed_on"),
        ("log-entries", {"text": "a\x00b"}, "text"),
    ],
)
def test_malformed_body_is_400_with_the_field(
    api: Api, bodies: dict[str, dict[str, Any]], collection: str, wrong: dict[str, Any], field: str
) -> None:
    answer = api.make(collection, bodies[collection] | wrong)
    assert answer.status_code == 400, answer.content
    assert answer.json()["code"] == "invalid"
    assert list(answer.json()["fields"]) == [field]


@pytest.mark.parametrize("sent", ["", "{", "[]", "null", '"text"', '{"impedance_ohm": NaN}', '{"a": 1e999}'])
def test_body_that_is_no_record_is_400(api: Api, sent: str) -> None:
    answer = api.client.put(f"/api/v1/sites/{new_key()}", sent, content_type="application/json")
    assert answer.status_code == 400
    assert set(answer.json()) == {"code", "message", "fields"}


def test_body_nested_without_end_is_400(api: Api) -> None:
    answer = api.make("sites", '{"a":' * 20000)
    assert answer.status_code == 400
    assert set(answer.json()) == {"code", "message", "fields"}


def test_body_that_is_too_large_is_413(api: Api, bodies: dict[str, dict[str, Any]]) -> None:
    answer = api.make("sites", bodies["sites"] | {"notes": "x" * 3_000_000})
    assert answer.status_code == 413
    assert answer.json()["code"] == "too_large"


def test_other_content_type_is_415(api: Api) -> None:
    answer = api.client.put(f"/api/v1/sites/{new_key()}", "label=x", content_type="text/plain")
    assert answer.status_code == 415
    assert answer.json()["code"] == "unsupported_media_type"


def test_session_gets_its_code_from_the_server_and_keeps_its_patient(
    api: Api, world: World, elsewhere: World, bodies: dict[str, dict[str, Any]]
) -> None:
    path = f"sessions/{new_key()}"
    made = api.put(path, bodies["sessions"]).json()
    assert re.fullmatch(r"S-2026-\d{4}", made["code"])
    assert made["centre"] == str(world.centre.pk)
    assert "signed_content" not in made
    other = bodies["sessions"] | {"patient": str(elsewhere.patient.pk), "version": 1}
    assert api.put(path, other).status_code == 404


@pytest.mark.parametrize("collection", ["assessments", "sessions", "adverse-events", "device-checks", "consents"])
def test_a_merged_code_is_refused_with_the_code_that_stands(
    api: Api, bodies: dict[str, dict[str, Any]], collection: str
) -> None:
    path, body = f"{collection}/{new_key()}", bodies[collection]
    api.put(path, body)
    merged = Patient.objects.get(pk=body["patient"])
    kept = make.make_patient(merged.centre)
    lead = make.make_user(Role.CLINICAL_LEAD, merged.centre)
    merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")

    for to in (path, f"{collection}/{new_key()}"):
        answer = api.put(to, body | {"amendment_reason": "x"} if collection == "sessions" else body)
        assert answer.status_code == 422, answer.content
        assert f"merged into {kept.code}" in answer.json()["fields"]["patient"][0]
