"""The outbox of the bedside page in a real browser: kept, shown, sent once, in order, and asked about."""

from __future__ import annotations

import time
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from procedures.models import BedsideEntry, LogEntry, Session
from registry.models import Role, User
from tests import factories as make

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def nurse() -> User:
    return make.make_user(Role.LAB_STAFF, password=make.PASSWORD)


@pytest.fixture
def session(nurse: User) -> Session:
    return make.make_session(make.make_patient(nurse.memberships.get().centre))


def wait_until(page: Page, script: str, seconds: float = 10) -> None:
    """Wait for a condition in the page; the strict policy forbids the browser's own way of waiting."""
    deadline = time.monotonic() + seconds
    while not page.evaluate(script):
        assert time.monotonic() < deadline, f"not within {seconds:g} s: {script}"
        page.wait_for_timeout(50)


def open_page(page: Page, session: Session) -> None:
    page.goto(reverse("procedures:bedside", args=[session.pk]))
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")


def put(page: Page, kind: str, payload: dict[str, Any], **options: Any) -> dict[str, Any]:
    """Enter something through the store; it is on the tablet's disk afterwards."""
    return page.evaluate(
        "([kind, payload, options]) => bedside.store.put(kind, payload, options)", [kind, payload, options]
    )


def note(page: Page, text: str, **options: Any) -> dict[str, Any]:
    at = "2024-03-02T09:05:00Z"
    return put(page, "log_entry", {"kind": "note", "text": text, "occurred_at": at}, **options)


def wait_for_drained(page: Page) -> None:
    wait_until(page, "bedside.store.pending.length === 0")


def test_entry_is_shown_at_once_and_reaches_the_server_once(page: Page, log_in, nurse, session) -> None:
    log_in(nurse)
    open_page(page, session)
    entry = note(page, "Calm.")
    assert entry["sync"] in {"here", "sending"}
    wait_for_drained(page)
    stored = LogEntry.objects.get()
    assert (str(stored.pk), stored.text, stored.author) == (entry["key"], "Calm.", nurse)
    row = BedsideEntry.objects.get()
    assert (row.captured_by, row.sent_by, row.answer) == (nurse, nurse, {"version": 1})
    assert abs(row.clock_skew_s) < 5
    assert page.evaluate("bedside.store.state.entries.map((e) => e.sync)") == ["server"]
    expect(page.locator("#bedside-line")).to_contain_text("Everything is on the server")
