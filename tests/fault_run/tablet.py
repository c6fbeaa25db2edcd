"""A tablet of a fault run: a real browser, and what was entered on it."""

from __future__ import annotations

import os
import random
import signal
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.conf import settings
from django.test import Client
from playwright.sync_api import BrowserContext, BrowserType, Error, Page

from procedures.models import Session
from registry.models import User
from tests.fault_run.line import Line
from tests.fault_run.server import Server
from tests.ops.processes import wait_for

# The browser's clock, turned by a test; timers go on as they are. Somebody stands at the tablet, or the page
# would lock itself when its clock leaps.
TURNED_CLOCK = """
{ const Real = Date;
  globalThis.turnedBy = 0;
  const now = () => Real.now() + globalThis.turnedBy;
  globalThis.Date = class extends Real { constructor(...a) { a.length ? super(...a) : super(now()); } };
  globalThis.Date.now = now;
  globalThis.turnClock = (ms) => {
    globalThis.turnedBy = ms;
    localStorage.setItem("tributary-touched", now());
  };
  globalThis.turnClock(0); }
"""
# Enters a batch, each note once the one before is on the disk; tells for each the text it found before.
ENTER = """
async (tasks) => {
  const done = [];
  dispatchEvent(new Event("wheel"));
  for (const { text, key, at } of tasks) {
    const base = key ? (bedside.store.item("log_entry", key)?.text ?? null) : null;
    if (key && base === null) { done.push({ text, skipped: true }); continue; }
    const payload = key ? { text } : { kind: "note", text, occurred_at: at };
    const item = await bedside.store.put("log_entry", payload, { key });
    done.push({ text, key: item?.key ?? key, base });
  }
  return done;
}
"""


@dataclass
class Tablet:
    """A browser with a profile of its own, and what was entered on it."""

    name: str
    browser_type: BrowserType
    chromium: str
    folder: Path
    server: Server
    session: Session
    user: User
    line: Line = field(init=False)
    context: BrowserContext = field(init=False)
    page: Page = field(init=False)
    entered: list[dict[str, Any]] = field(default_factory=list)
    perhaps: set[str] = field(default_factory=set)
    chosen: list[dict[str, Any]] = field(default_factory=list)
    clock_ms: int = 0
    number: int = 0
    kills: int = 0

    def __post_init__(self) -> None:
        self.line = Line(self.server.port)
        self.open()

    def open(self) -> None:
        """Start the browser on its profile and open the page, from the worker's cache if there is no line."""
        self.context = self.browser_type.launch_persistent_context(
            str(self.folder),
            executable_path=self.chromium,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"],
            viewport={"width": 1024, "height": 768},
        )
        self.context.set_default_timeout(30_000)
        self.context.add_init_script(TURNED_CLOCK)
        client = Client()
        client.force_login(self.user)
        cookie = client.cookies[settings.SESSION_COOKIE_NAME]
        root = f"http://127.0.0.1:{self.line.port}"
        self.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": root}])
        self.page = self.context.pages[0] if self.context.pages else self.context.new_page()
        self.page.on("dialog", lambda dialog: dialog.accept())
        wait_for(lambda: self._arrives(f"{root}/sessions/{self.session.pk}/bedside/"), "the page's frame", 90)
        wait_for(lambda: bool(self.page.evaluate("Boolean(globalThis.bedside?.store.state)")), "the page", 60)
        self.page.evaluate("navigator.serviceWorker.ready.then(() => null)")
        self.turn_clock(self.clock_ms)

    def _arrives(self, address: str) -> bool:
        """Open an address; a tablet that was killed before it kept the frame needs the line and the server for that."""
        try:
            self.page.goto(address)
        except Error:
            self.line.restore()
            if not self.server.alive():
                self.server.start()
            return False
        return True

    def turn_clock(self, ms: int) -> None:
        """Turn the tablet's clock."""
        self.clock_ms = ms
        self.page.evaluate("(ms) => turnClock(ms)", ms)

    def kill(self, unanswered: list[dict[str, Any]]) -> None:
        """Kill the browser with all its processes while it is writing, and start it again on the same profile."""
        self.perhaps |= {task["text"] for task in unanswered}
        # Not awaited: the kill falls into the writing.
        self.page.evaluate(f"(tasks) => {{ ({ENTER})(tasks); }}", unanswered)
        for pid in self._processes():
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self.kills += 1
        with suppress(Error):
            self.context.close()
        for lock in self.folder.glob("Singleton*"):
            lock.unlink()
        self.open()

    def _processes(self) -> list[int]:
        """Return this browser's own processes, known by the profile that only it was started with."""
        mine = f"--user-data-dir={self.folder}"
        found = []
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                words = (entry / "cmdline").read_bytes().decode(errors="replace").split("\0")
            except OSError:
                continue
            if mine in words:
                found.append(int(entry.name))
        return found

    def tasks(self, count: int, rng: random.Random, shared: list[str]) -> list[dict[str, Any]]:
        """Make up the next entries: new notes, corrections of own ones, corrections of shared ones."""
        made = []
        own = [one["key"] for one in self.entered if one["key"] not in shared][-200:]
        for _ in range(count):
            self.number += 1
            draw = rng.random()
            key = rng.choice(shared) if shared and draw < 0.06 else rng.choice(own) if own and draw < 0.25 else None
            at = f"2024-03-02T{9 + self.number // 3600:02d}:{self.number // 60 % 60:02d}:{self.number % 60:02d}Z"
            made.append({"text": f"{self.name}-{self.number:05d}", "key": key, "at": at})
        return made

    def enter(self, count: int, rng: random.Random, shared: list[str]) -> int:
        """Enter a batch; returns how many are safe on the tablet."""
        done = self.page.evaluate(ENTER, self.tasks(count, rng, shared))
        kept = [one for one in done if not one.get("skipped")]
        self.entered += kept
        return len(kept)

    def settle(self, rng: random.Random) -> None:
        """Answer everything that is asked, and keep what was shown."""
        while asked := self.page.evaluate("bedside.store.attention[0] ?? null"):
            if asked["code"] == "conflict":
                assert asked["theirs"] is not None, asked
                choice = rng.choice(["mine", "theirs"])
            else:
                choice = "retry"
            theirs = (asked["theirs"] or {}).get("text")
            told = {"text": asked["mine"]["text"], "code": asked["code"], "theirs": theirs, "choice": choice}
            shown = self.page.locator("#bedside-attention").inner_text() if asked["theirs"] else ""
            told["shown"] = not asked["theirs"] or (told["text"] in shown and str(theirs) in shown)
            self.chosen.append(told)
            self.page.evaluate("([key, choice]) => bedside.store.settle(key, choice)", [asked["key"], choice])

    def left(self) -> int:
        """Ask for sending, and return what is still on the tablet only."""
        self.page.evaluate("bedside.store.sendNow()")
        return int(self.page.evaluate("bedside.store.pending.length"))

    def close(self) -> None:
        """Close the browser and the line."""
        self.context.close()
        self.line.close()
