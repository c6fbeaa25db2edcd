"""Handling the bedside page from a test: opening it, entering through its store, and waiting."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from django.urls import reverse
from playwright.sync_api import Page

from procedures.models import Session
from tests.chromium import PATIENCE_S


def eventually(page: Page, holds: Callable[[], Any], what: str = "") -> None:
    """Wait until a condition holds that is asked for here, while the page goes on."""
    deadline = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline, f"not within {PATIENCE_S} s: {what}"
        page.wait_for_timeout(30)


def wait_until(page: Page, script: str) -> None:
    """Wait for a condition in the page; the strict policy forbids the browser's own way of waiting."""
    eventually(page, lambda: page.evaluate(script), script)


def fits(page: Page) -> None:
    """Wait until the page is no wider than the screen; figures follow a new width a moment later."""
    wait_until(page, "document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def open_page(page: Page, session: Session) -> None:
    """Open the bedside page and wait for the session."""
    page.goto(reverse("procedures:bedside", args=[session.pk]))
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")


def put(page: Page, kind: str, payload: dict[str, Any], **options: Any) -> dict[str, Any]:
    """Enter something through the store; it is on the tablet's disk afterwards."""
    script = "([kind, payload, options]) => bedside.store.put(kind, payload, options)"
    return page.evaluate(script, [kind, payload, options])


def note(page: Page, text: str, **options: Any) -> dict[str, Any]:
    """Enter a note."""
    at = "2024-03-02T09:05:00Z"
    return put(page, "log_entry", {"kind": "note", "text": text, "occurred_at": at}, **options)


def wait_for_drained(page: Page) -> None:
    """Wait until nothing is on the tablet only."""
    try:
        wait_until(page, "bedside.store.writing + bedside.store.pending.length === 0")
    except AssertionError as error:
        left = page.evaluate("[bedside.store.counts, bedside.store.attention, bedside.store.pending.slice(0, 3)]")
        raise AssertionError(f"{error}: {left}") from None


def texts(page: Page) -> list[str]:
    """Return the notes as the page shows them."""
    return page.evaluate("bedside.store.state.entries.map((entry) => entry.text)")


def settle(page: Page, key: str, choice: Any) -> None:
    """Choose in the tray."""
    page.evaluate("([key, choice]) => bedside.store.settle(key, choice)", [key, choice])
