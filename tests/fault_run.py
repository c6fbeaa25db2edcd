"""Two tablets, a line that breaks, a server that is killed: does every entry arrive, once, in order, or ask?

A run enters notes on two tablets (a real Chromium each, with a profile on the disk), corrects its own and shared ones,
and meanwhile cuts the line at random, kills the server with SIGKILL, kills the browser with SIGKILL, and turns the
tablets' clocks. Afterwards the database and the change trail are compared with what was entered and what was chosen.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection
from django.test import Client
from playwright.sync_api import BrowserContext, BrowserType, Error, Page

from procedures.models import BedsideEntry, LogEntry, Session
from procedures.services.sessions import log
from registry.models import Change, Role, User
from registry.trail.verify import faults
from tests import factories as make
from tests.ops.processes import environment, free_port, wait_for

BATCH = 10
# The browser's clock, turned by a test; timers go on as they are.
TURNED_CLOCK = """
{ const Real = Date;
  globalThis.turnedBy = 0;
  const now = () => Real.now() + globalThis.turnedBy;
  globalThis.Date = class extends Real { constructor(...a) { a.length ? super(...a) : super(now()); } };
  globalThis.Date.now = now; }
"""
# Enters a batch, each note once the one before is on the disk; tells for each the text it found before.
ENTER = """
async (tasks) => {
  const done = [];
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


class Line:
    """What lies between a tablet and the server; it can be cut in the middle of an answer."""

    def __init__(self, server_port: int) -> None:
        self.up, self._server, self._open = True, server_port, set[socket.socket]()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                if not self.up:
                    raise OSError
                far = socket.create_connection(("127.0.0.1", self._server), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self._open |= {near, far}
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=(one, other), daemon=True).start()

    def _pass_on(self, one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65536):
                other.sendall(data)
        except OSError:
            pass
        for end in (one, other):
            self._end(end)

    def _end(self, end: socket.socket) -> None:
        self._open.discard(end)
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()

    def cut(self) -> None:
        """Break every connection; none is made until the line is restored."""
        self.up = False
        for end in list(self._open):
            self._end(end)

    def restore(self) -> None:
        """Let connections through again."""
        self.up = True

    def close(self) -> None:
        """Stop listening."""
        self.cut()
        self._listener.close()


class Server:
    """A real gunicorn on the test's database, killed without warning."""

    def __init__(self, folder: Path) -> None:
        name = connection.settings_dict["NAME"]
        sqlite = connection.vendor == "sqlite"
        url = f"sqlite:///{name}" if sqlite else re.sub(r"/[^/]*$", f"/{name}", settings.DATABASE_URL)
        self._env, self._log, self.port = environment(DATABASE_URL=url), folder / "server.log", free_port()
        self.kills = 0
        self.start()

    def start(self) -> None:
        """Start without waiting."""
        words = ["gunicorn", "config.wsgi", "--bind", f"127.0.0.1:{self.port}", "--threads", "4", "--workers", "1"]
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(
                [*words, "--no-control-socket"], env=self._env, stdout=out, stderr=out, start_new_session=True
            )

    def alive(self) -> bool:
        """Say whether its process runs."""
        return self._process.poll() is None

    def ready(self) -> bool:
        """Say whether it answers; it listens before it can."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/healthz", timeout=5) as answer:
                return answer.status == 200
        except OSError:
            return False

    def kill(self) -> None:
        """Kill it and its worker at once."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self.kills += 1


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
        self.page.evaluate("(ms) => { globalThis.turnedBy = ms; }", ms)

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


@dataclass
class Plan:
    """How much of everything."""

    entries: int = 2000
    drops: int = 100
    restarts: int = 20
    kills: int = 10
    clocks: int = 6
    seed: int = 1


def fault_run(plan: Plan, browser_type: BrowserType, chromium: str, folder: Path) -> dict[str, Any]:
    """Do a run and return what was counted; what is wrong is listed under ``wrong``."""
    rng = random.Random(plan.seed)  # noqa: S311 - a repeatable course of events
    nurse = make.make_user(Role.LAB_STAFF)
    session = make.make_session(make.make_patient(nurse.memberships.get().centre))
    shared = [
        str(log(by=nurse, session=session, kind="note", text=f"S-{n}", occurred_at=make.START).pk) for n in range(5)
    ]
    began = time.monotonic()
    server = Server(folder)
    tablets: list[Tablet] = []
    try:
        wait_for(server.ready, "the server", 60)
        for name in ("A", "B"):
            tablets.append(Tablet(name, browser_type, chromium, folder / name, server, session, nurse))
        clocks = _course(plan, rng, server, tablets, shared)
        return _verdict(session, tablets, shared) | {
            "entries": sum(len(tablet.entered) for tablet in tablets),
            "drops": plan.drops,
            "server kills": server.kills,
            "browser kills": sum(tablet.kills for tablet in tablets),
            "clock changes": clocks,
            "seconds": round(time.monotonic() - began),
        }
    finally:
        for tablet in tablets:
            tablet.close()
        server.kill()
        _let_go()


def _let_go() -> None:
    """End what the killed server left in this run's own database: its transactions must not block the next test."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )


def _course(plan: Plan, rng: random.Random, server: Server, tablets: list[Tablet], shared: list[str]) -> int:
    """Enter everything while everything breaks, then let it come to rest. Returns how often a clock was turned."""
    steps = plan.entries // BATCH
    events = _events(plan, rng, steps)
    restart_at: float | None = None
    restore: list[tuple[float, Tablet]] = []
    clocks = 0
    for step in range(steps):
        for event in events.get(step, []):
            tablet = rng.choice(tablets)
            if event == "drop":
                tablet.line.cut()
                restore.append((time.monotonic() + rng.uniform(0.05, 1.2), tablet))
                if rng.random() < 0.3:
                    tablet.context.set_offline(True)
            elif event == "restart" and restart_at is None:
                server.kill()
                restart_at = time.monotonic() + rng.uniform(0.2, 1.5)
            elif event == "kill":
                tablet.kill(tablet.tasks(3, rng, []))
            elif event == "clock":
                clocks += 1
                tablet.turn_clock(rng.choice([-3 * 3600, -600, 600, 2 * 3600, 26 * 3600, -26 * 3600]) * 1000)
        tablets[step % 2].enter(BATCH, rng, shared)
        now = time.monotonic()
        for moment, tablet in list(restore):
            if now >= moment:
                restore.remove((moment, tablet))
                tablet.line.restore()
                tablet.context.set_offline(False)
        if restart_at is not None and now >= restart_at:
            if not server.alive():
                server.start()
            restart_at = None
        if step % 15 == 14:
            for tablet in tablets:
                tablet.settle(rng)
        time.sleep(rng.uniform(0, 0.15))
    if not server.alive():
        server.start()
    _rest(server, tablets, rng)
    return clocks


def _events(plan: Plan, rng: random.Random, steps: int) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    # Restarts lie apart, so that each falls on a server that is up.
    gap = max(steps // max(plan.restarts, 1), 1)
    for number in range(plan.restarts):
        found.setdefault(min(number * gap + gap // 2, steps - 1), []).append("restart")
    for event, count in (("drop", plan.drops), ("kill", plan.kills), ("clock", plan.clocks)):
        for _ in range(count):
            found.setdefault(rng.randrange(1, steps), []).append(event)
    return found


def _rest(server: Server, tablets: list[Tablet], rng: random.Random) -> None:
    """Let the tablets send what they have, with all faults over; as long as it gets less it may take its time."""
    wait_for(server.ready, "the server", 120)
    for tablet in tablets:
        tablet.line.restore()
        tablet.context.set_offline(False)
    fewest, since = 10**9, time.monotonic()
    while True:
        for tablet in tablets:
            tablet.settle(rng)
        left = sum(tablet.left() for tablet in tablets)
        if left == 0:
            return
        if left < fewest:
            fewest, since = left, time.monotonic()
        if time.monotonic() - since > 120:
            stuck = [tablet.page.evaluate("[bedside.store.counts, bedside.store.pending[0]]") for tablet in tablets]
            raise AssertionError(f"still on the tablets: {left} {json.dumps(stuck)[:2000]}")
        time.sleep(0.5)


def _verdict(session: Session, tablets: list[Tablet], shared: list[str]) -> dict[str, Any]:
    """Compare what was entered and chosen with the change trail and the records."""
    written: Counter[str] = Counter()
    before: dict[str, str] = {}
    for change in Change.objects.filter(record_type="procedures.logentry").order_by("sequence"):
        values = json.loads(change.values)
        text = values["new"].get("text")
        if text and not text.startswith("S-"):
            written[text] += 1
            before[text] = (values["old"] or {}).get("text", "")
    wrong: list[str] = []
    conflicts = 0
    lost, silent = [], []
    for tablet in tablets:
        given_up = {one["text"] for one in tablet.chosen if one["choice"] == "theirs"}
        seen: dict[str, set[str | None]] = {}
        for one in tablet.chosen:
            seen.setdefault(one["text"], set()).add(one["theirs"])
            conflicts += one["code"] == "conflict"
            if one["code"] not in ("conflict",):
                wrong.append(f"asked about {one['text']} for {one['code']}")
            if not one["shown"]:
                wrong.append(f"the choice about {one['text']} did not show both values")
        for one in tablet.entered:
            text = one["text"]
            if written[text] == 0 and text not in given_up:
                lost.append(text)
            if one["base"] is not None and written[text] and before[text] not in {one["base"], *seen.get(text, ())}:
                silent.append(f"{text} over {before[text]}, having seen {one['base']}")
    known = {one["text"] for tablet in tablets for one in tablet.entered} | set().union(
        *(tablet.perhaps for tablet in tablets)
    )
    twice = [text for text, times in written.items() if times > 1]
    unknown = [text for text in written if text not in known]
    return {
        "wrong": wrong,
        "lost": lost,
        "duplicated": twice + _records_twice(tablets, shared, session),
        "out of order": _out_of_order(tablets),
        "silently overwritten": silent,
        "from nowhere": unknown,
        "conflicts shown": conflicts,
        "killed while writing": sum(1 for tablet in tablets for text in tablet.perhaps if not written[text]),
        "trail": list(faults()),
    }


def _records_twice(tablets: list[Tablet], shared: list[str], session: Session) -> list[str]:
    """Return notes beyond those entered: each new note is one record."""
    expected = {one["key"] for tablet in tablets for one in tablet.entered}
    extra = LogEntry.objects.filter(session=session).exclude(pk__in=expected | set(shared))
    possible = set().union(*(tablet.perhaps for tablet in tablets))
    return [entry.text for entry in extra if entry.text not in possible]


def _out_of_order(tablets: list[Tablet]) -> list[str]:
    """Return entries that a tablet made before another and the server wrote after it; what waited for somebody may."""
    waited = {one["text"] for tablet in tablets for one in tablet.chosen}
    asked = {one["key"] for tablet in tablets for one in tablet.entered if one["text"] in waited}
    found = []
    last: dict[Any, int] = {}
    for row in BedsideEntry.objects.order_by("received_at", "id"):
        if row.record_key in asked:
            continue
        if row.sequence < last.get(row.device, 0):
            found.append(f"{row.record_key} #{row.sequence} after #{last[row.device]}")
        last[row.device] = max(row.sequence, last.get(row.device, 0))
    return found


def report(result: dict[str, Any]) -> str:
    """Return the result as lines; lists are told as their length and first members."""
    lines = [f"Fault run on {connection.vendor}, Python {sys.version.split()[0]}"]
    for name, value in result.items():
        if isinstance(value, list):
            lines.append(f"  {name}: {len(value)}" + (f" {value[:5]}" if value else ""))
        else:
            lines.append(f"  {name}: {value}")
    return "\n".join(lines)


def failures(result: dict[str, Any]) -> list[str]:
    """Return what must be empty and is not."""
    names = ("wrong", "lost", "duplicated", "out of order", "silently overwritten", "from nowhere", "trail")
    return [f"{name}: {result[name][:5]}" for name in names if result[name]]
