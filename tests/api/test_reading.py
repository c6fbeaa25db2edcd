"""Lists: pages that do not shift, filters, and a fixed number of queries."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.api.conftest import Api, World
from tests.factories import (
    enter,
    make_adverse_event,
    make_assessment,
    make_device,
    make_epoch,
    make_measurement,
    make_session,
    make_site,
    make_tributary,
)


def test_pages_follow_one_another_without_gap_or_repeat(api: Api, world: World) -> None:
    made = [str(make_site(world.tributary).pk) for _ in range(7)]
    first = api.get("sites", session=world.session.pk, page_size=3).json()
    assert first["previous"] is None
    make_site(world.tributary)  # comes in while the reader turns the page
    seen, page = [], first
    while True:
        seen += [record["id"] for record in page["results"]]
        if page["next"] is None:
            break
        page = api.client.get(page["next"]).json()
    assert seen == [*reversed(made), str(world.site.pk)]


@pytest.mark.parametrize("asked", ["0", "-1", "many", "100000"])
def test_page_size_is_bounded(api: Api, world: World, asked: str) -> None:
    for _ in range(2):
        make_tributary(world.session, ordinal=_ + 5)
    answer = api.get("tributaries", page_size=asked)
    assert answer.status_code == 200
    assert len(answer.json()["results"]) == 3


@pytest.mark.parametrize("cursor", ["rubbish", *(b64encode(c).decode() for c in (b"p=%00", b"p=abc", b"p=1&r=1"))])
def test_bad_cursor_is_not_a_fault(api: Api, cursor: str) -> None:
    answer = api.get("sites", cursor=cursor)
    assert answer.status_code == 404
    assert set(answer.json()) == {"code", "message", "fields"}


@pytest.mark.parametrize("path", ["nothing", "sites/17", f"sites/{'0' * 36}", ""])
def test_address_that_leads_nowhere_answers_in_the_envelope(api: Api, path: str) -> None:
    answer = api.get(path)
    assert answer.status_code == 404
    assert answer.json() == {"code": "not_found", "message": "This was not found.", "fields": {}}


def test_fault_of_ours_answers_in_the_envelope(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError

    monkeypatch.setattr("registry.api.views.OwnerFilter.filter_queryset", fail)
    api.client.raise_request_exception = False
    answer = api.get("sites")
    assert answer.status_code == 500
    assert set(answer.json()) == {"code", "message", "fields"}


def test_filters_narrow_and_unknown_ones_are_refused(api: Api, world: World) -> None:
    other = make_site(make_tributary(make_session(world.patient)))
    found = api.get("sites", session=other.session_id).json()["results"]
    assert [record["id"] for record in found] == [str(other.pk)]
    for query in ({"sesion": str(other.session_id)}, {"session": "17"}):
        answer = api.get("sites", **query)
        assert answer.status_code == 400
        assert list(answer.json()["fields"]) == list(query)


def _sessions(world: World) -> Any:
    return make_session(world.patient)


def _sites(world: World) -> Any:
    return make_site(world.tributary)


def _measurements(world: World) -> Any:
    return make_measurement(world.site)


def _epochs(world: World) -> Any:
    return make_epoch(world.session, world.site)


def _metrics(world: World) -> Any:
    return enter(make_epoch(world.session, world.site))


@pytest.mark.parametrize(
    ("collection", "make"),
    [
        ("sessions", _sessions),
        ("sites", _sites),
        ("lead-measurements", _measurements),
        ("epochs", _epochs),
        ("epoch-metrics", _metrics),
        ("assessments", lambda world: make_assessment(world.patient)),
        ("adverse-events", lambda world: make_adverse_event(world.patient)),
    ],
)
def test_list_takes_the_same_queries_for_one_and_for_many(
    api: Api, world: World, collection: str, make: Callable[[World], Any]
) -> None:
    counts = []
    for records in (1, 9):
        for _ in range(records):
            make(world)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert len(api.get(collection).json()["results"]) >= records
        counts.append(len(queries))
    assert counts[0] == counts[1]
    assert counts[1] <= 4


def test_a_device_is_read_without_what_names_its_carrier(api: Api, world: World) -> None:
    device = make_device(world.patient, serial_number="SN-0815", udi="(01)00000000000000(21)SN-0815")
    answer = api.get(f"devices/{device.pk}")
    assert answer.json()["model_name"] == device.model_name
    assert "SN-0815" not in answer.content.decode()
    assert api.put(f"devices/{device.pk}", {"model_name": "Other"}).status_code == 405
