"""A fault run: what is entered, what breaks meanwhile, and how it comes to rest."""

from __future__ import annotations

import json
import random
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserType

from procedures.services.sessions import log
from registry.models import Role
from tests import factories as make
from tests.fault_run.server import Server, let_go
from tests.fault_run.tablet import Tablet
from tests.fault_run.verdict import verdict
from tests.ops.processes import wait_for

BATCH = 10


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
        clocks = _enter_and_break(plan, rng, server, tablets, shared)
        return verdict(session, tablets, shared) | {
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
        let_go()


def _enter_and_break(plan: Plan, rng: random.Random, server: Server, tablets: list[Tablet], shared: list[str]) -> int:
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
            elif event == "restart":
                # Each falls on a server that is up, however fast the tablets are.
                if not server.alive():
                    server.start()
                wait_for(server.ready, "the server", 60)
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
