"""A hand at the bedside page: every tap and every key is counted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from procedures.models import Session
from tests.browser.bedside import wait_until


@dataclass
class Hand:
    """Taps and types on the page, and keeps count."""

    page: Page
    taps: int = 0
    keys: int = 0
    marks: dict[str, int] = field(default_factory=dict)

    def open(self, session: Session) -> None:
        """Open the page of a session and wait until it shows the session."""
        self.page.goto(reverse("procedures:bedside", args=[session.pk]))
        expect(self.page.locator("#bedside-head h1")).to_have_text(session.code)

    def tap(self, what: Locator) -> None:
        """Tap something that is in view, or can be scrolled to, and is not covered."""
        what.click()
        self.taps += 1

    def button(self, name: str, **options: Any) -> None:
        """Tap a button by its name."""
        self.tap(self.page.get_by_role("button", name=name, exact=options.pop("exact", True), **options))

    def link(self, name: str) -> None:
        """Tap a link by its name."""
        self.tap(self.page.get_by_role("link", name=name, exact=True))

    def tile(self, text: str) -> None:
        """Tap an offered value by the text on it."""
        self.tap(self.page.locator(".offered .tile", has_text=text).filter(visible=True).first)

    def type(self, what: Locator, text: str, *, then: str = "") -> None:
        """Tap into a field and type; each character is a key."""
        self.tap(what)
        what.press_sequentially(text)
        self.keys += len(text)
        if then:
            what.press(then)
            self.keys += 1

    def event(self, kind: str) -> None:
        """Log an event with its one tap."""
        before = self.page.evaluate("bedside.store.state.entries.length")
        self.tap(self.page.locator(f"[data-kind={kind}]"))
        wait_until(self.page, f"bedside.store.state.entries.length === {before + 1}")

    def count(self) -> int:
        """Return taps and keys so far."""
        return self.taps + self.keys

    def drained(self) -> None:
        """Wait until everything is on the server."""
        wait_until(self.page, "bedside.store.writing + bedside.store.pending.length === 0")
