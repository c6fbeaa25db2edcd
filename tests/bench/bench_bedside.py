"""How long the bedside page lets a hand wait, in a real Chromium slowed down four times.

Three figures, each the median of several: from opening with an empty cache on a line of 1.6 Mbit/s until an event can
be tapped; from a tap until its time stands on the button, with a line and without. The delay of the line is given
beside it, since "1.6 Mbit/s" does not say one. The page shows nothing before the entry is on the tablet's disk.
"""

import os
import shutil
import socket
import statistics
import subprocess
import sys
import time
import urllib.error
import urllib.request

os.environ["DJANGO_SETTINGS_MODULE"] = "tests.bench.compressed_settings"
os.environ["DATABASE_URL"] = ""

import django

django.setup()

from django.conf import settings  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.test import Client  # noqa: E402
from playwright.sync_api import BrowserContext, Page, sync_playwright  # noqa: E402

from procedures.models import Session  # noqa: E402
from procedures.services.sessions import log  # noqa: E402
from registry.models import Role  # noqa: E402
from tests import factories as make  # noqa: E402

SLOWER = 4
LINE_BYTES_PER_S = 1_600_000 / 8
OPENINGS, TAPS = 5, 20
_WATCH = """
new MutationObserver((_, observer) => {
  if (!document.querySelector(".event")) return;
  observer.disconnect();
  requestAnimationFrame(() => requestAnimationFrame(() => (window.usableAt = performance.now())));
}).observe(document, {childList: true, subtree: true});
"""
_TAP = """(kind) => new Promise((done) => {
  const button = document.querySelector(`[data-kind=${kind}]`);
  const when = button.querySelector(".when");
  const before = when.textContent;
  const start = performance.now();
  new MutationObserver((_, observer) => {
    if (when.textContent === before) return;
    observer.disconnect();
    requestAnimationFrame(() => setTimeout(() => done(performance.now() - start)));
  }).observe(when, {childList: true, characterData: true, subtree: true});
  button.click();
})"""


def slow(page: Page, delay_ms: float, *, offline: bool = False) -> None:
    """Slow processor and line of a page down."""
    tools = page.context.new_cdp_session(page)
    tools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    tools.send("Network.enable")
    line = {"downloadThroughput": LINE_BYTES_PER_S, "uploadThroughput": LINE_BYTES_PER_S / 2, "latency": delay_ms}
    tools.send("Network.emulateNetworkConditions", line | {"offline": offline})


def opening(context: BrowserContext, address: str, delay_ms: float) -> float:
    """Open the page in a fresh profile and return when it is usable, ms."""
    page = context.new_page()
    page.add_init_script(_WATCH)
    slow(page, delay_ms)
    page.goto(address, wait_until="commit")
    deadline = time.monotonic() + 60
    while not page.evaluate("window.usableAt"):
        if time.monotonic() > deadline:
            sys.exit("The page did not become usable within a minute.")
        page.wait_for_timeout(50)
    return float(page.evaluate("window.usableAt"))


def tapping(page: Page, *, offline: bool) -> list[float]:
    """Tap events one after another and return the waits, ms."""
    slow(page, 0, offline=offline)
    waits = []
    for number in range(TAPS):
        # Two events by turns, whose times differ from one second to the next.
        waits.append(page.evaluate(_TAP, ["venogram", "test_stimulation"][number % 2]))
        page.wait_for_timeout(600)
    return waits


def say(what: str, values: list[float]) -> None:
    """Print median and worst."""
    print(f"{what:<58} median {statistics.median(values):6.0f} ms, worst {max(values):6.0f} ms")


def served(session: Session) -> tuple[subprocess.Popen[bytes], str]:
    """Start the web process and wait for it."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "gunicorn", "config.wsgi", "--bind", f"127.0.0.1:{port}", "--threads", "4"]
    process = subprocess.Popen([*command, "--log-level", "error", "--no-control-socket"])
    base = f"http://127.0.0.1:{port}"
    for _ in range(600):
        try:
            urllib.request.urlopen(f"{base}/healthz", timeout=5)  # noqa: S310 - this machine
            return process, f"{base}/sessions/{session.pk}/bedside/"
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    sys.exit("The server did not start.")


def main() -> None:
    """Prepare a session of 60 entries, serve it and measure."""
    call_command("migrate", verbosity=0, interactive=False)
    call_command("collectstatic", verbosity=0, interactive=False)
    session = make.make_session()
    by = make.make_user(Role.PHYSICIAN, session.centre)
    for number in range(60):
        log(by=by, session=session, kind="note", text=f"note {number}", occurred_at=make.START)
    client = Client()
    client.force_login(by)
    cookie = {"name": settings.SESSION_COOKIE_NAME, "value": client.cookies[settings.SESSION_COOKIE_NAME].value}
    process, address = served(session)
    try:
        with sync_playwright() as playwright:
            arguments = ["--no-sandbox", "--disable-gpu", "--no-first-run"]
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=arguments)

            def fresh() -> BrowserContext:
                context = browser.new_context(viewport={"width": 768, "height": 1024})
                context.add_cookies([cookie | {"url": address.partition("/sessions/")[0]}])
                return context

            print(f"load of this machine's {os.cpu_count()} processors: {os.getloadavg()[0]:.1f}")
            for delay_ms in (0, 40, 150):
                waits = []
                for _ in range(OPENINGS):
                    context = fresh()
                    waits.append(opening(context, address, delay_ms))
                    context.close()
                say(f"opening, empty cache, 1.6 Mbit/s, {delay_ms} ms delay, {SLOWER}x slower", waits)
            context = fresh()
            page = context.new_page()
            page.goto(address)
            page.wait_for_selector(".event")
            say(f"tap to its result, with a line, {SLOWER}x slower", tapping(page, offline=False))
            say(f"tap to its result, without a line, {SLOWER}x slower", tapping(page, offline=True))
            browser.close()
    finally:
        process.terminate()
        process.wait()


main()
