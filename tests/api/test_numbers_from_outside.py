"""Numbers in addresses, headers, bodies and forms that are none: a 4xx with a sentence, never a fault."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from registry.models import Role
from registry.models.base import new_key
from tests.api.conftest import Api, World
from tests.factories import make_user

NINES = "9" * 5000
BAD = ["²", "٤٢", NINES, "1e400", "nan", "1_0", "-"]
FAR = ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "1899-12-31T00:00:00Z", "0001-01-01T00:00:00+14:00"]


@pytest.mark.parametrize("version", [*BAD, '"²"', f'W/"{NINES}"'])
def test_a_version_that_is_none(api: Api, world: World, bodies: dict[str, dict[str, Any]], version: str) -> None:
    header = version.encode().decode("latin-1")
    answer = api.put(f"sites/{world.site.pk}", bodies["sites"], **{"If-Match": header})
    assert answer.status_code == 400
    assert "version" in answer.json()["fields"]["If-Match"][0]


@pytest.mark.parametrize("cursor", BAD)
def test_a_cursor_that_is_none(api: Api, world: World, cursor: str) -> None:
    answer = api.get(f"bedside/sessions/{world.session.pk}", since=cursor)
    assert answer.status_code == 400
    assert "cursor" in answer.json()["fields"]["since"][0]


@pytest.mark.parametrize("moment", FAR)
@pytest.mark.parametrize(
    ("collection", "name"),
    [
        ("log-entries", "occurred_at"),
        ("sessions", "started_at"),
        ("lead-measurements", "measured_at"),
        ("epochs", "started_at"),
    ],
)
def test_a_moment_far_from_ours(
    api: Api, bodies: dict[str, dict[str, Any]], collection: str, name: str, moment: str
) -> None:
    answer = api.make(collection, bodies[collection] | {name: moment})
    assert answer.status_code == 400
    assert name in answer.json()["fields"]


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31", "1899-12-31"])
@pytest.mark.parametrize(
    ("collection", "name"), [("assessments", "assessed_on"), ("device-checks", "checked_on"), ("consents", "given_on")]
)
def test_a_day_far_from_ours(api: Api, bodies: dict[str, dict[str, Any]], collection: str, name: str, day: str) -> None:
    answer = api.make(collection, bodies[collection] | {name: day})
    assert answer.status_code == 400
    assert name in answer.json()["fields"]


@pytest.mark.parametrize("number", ["nan", "inf", "1e400", "²", NINES, True])
def test_a_measured_number_that_is_none(api: Api, bodies: dict[str, dict[str, Any]], number: Any) -> None:
    answer = api.make("lead-measurements", bodies["lead-measurements"] | {"impedance_ohm": number})
    assert answer.status_code == 400
    assert "impedance_ohm" in answer.json()["fields"]


@pytest.mark.parametrize("raw", ["1e400", "9" * 5000, "NaN"])
def test_a_number_of_the_body_itself_that_is_none(api: Api, world: World, raw: str) -> None:
    body = f'{{"site": "{world.site.pk}", "measured_at": "2026-03-02T09:20:00Z", "impedance_ohm": {raw}}}'
    answer = api.client.put(f"/api/v1/lead-measurements/{new_key()}", body, content_type="application/json")
    assert answer.status_code == 400


@pytest.fixture
def pages(world: World) -> Client:
    """Return a clinical lead's browser, who may see every page."""
    client = Client()
    client.force_login(make_user(Role.CLINICAL_LEAD, world.centre))
    return client


@pytest.mark.parametrize("number", BAD)
def test_a_page_number_that_is_none_shows_a_page(pages: Client, world: World, number: str) -> None:
    for url in ("procedures:sessions", "registry:patients", "imports:list", "registry:looks"):
        assert pages.get(reverse(url), {"page": number}).status_code == 200
