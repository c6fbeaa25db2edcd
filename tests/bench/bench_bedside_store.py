"""How long an entry takes to be safe on the tablet and shown, on a processor slowed down fourfold; the page's weight.

Prints medians and 95th percentiles of ``store.put`` (sealed, written to the disk, laid over the state) with a line,
without one, and with 500 entries already waiting.
"""

from __future__ import annotations

import gzip
import os
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"

import django

django.setup()

from django.contrib.staticfiles import finders  # noqa: E402
from django.test.utils import setup_databases, setup_test_environment, teardown_databases  # noqa: E402
from playwright.sync_api import Page, sync_playwright  # noqa: E402

from procedures.bedside_shell import names  # noqa: E402
from procedures.services.sessions import log  # noqa: E402
from registry.models import Role  # noqa: E402
from tests import factories as make  # noqa: E402
from tests.fault_run.server import Server  # noqa: E402
from tests.fault_run.tablet import Tablet  # noqa: E402
from tests.ops.processes import wait_for  # noqa: E402

PUT = """
async (count) => {
  const taken = [];
  for (let n = 0; n < count; n += 1) {
    const began = performance.now();
    await bedside.store.put("log_entry", { kind: "note", text: `bench ${n}`, occurred_at: new Date().toISOString() });
    taken.push(performance.now() - began);
    await new Promise((resolve) => setTimeout(resolve, 30));
  }
  return taken;
}
"""


def told(words: str, taken: list[float]) -> None:
    """Print a line."""
    high = statistics.quantiles(taken, n=20)[-1]
    print(f"{words:45} median {statistics.median(taken):6.1f} ms   95th percentile {high:6.1f} ms   n {len(taken)}")


def measure(page: Page, tablet: Tablet) -> None:
    """Measure the three situations."""
    cdp = page.context.new_cdp_session(page)
    cdp.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    told("entry, with a line", page.evaluate(PUT, 60))
    tablet.line.cut()
    told("entry, without a line", page.evaluate(PUT, 60))
    cdp.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    page.evaluate(PUT.replace("setTimeout(resolve, 30)", "resolve()"), 440)
    cdp.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    told("entry, without a line, 500 waiting", page.evaluate(PUT, 60))


def main() -> None:
    """Measure and print."""
    sizes = {name: len(gzip.compress(Path(str(finders.find(name))).read_bytes(), 6)) for name in names()}
    print(f"{'all files of the page, gzip':45} {sum(sizes.values()) / 1000:.1f} kB in {len(sizes)} files")
    setup_test_environment()
    old = setup_databases(verbosity=0, interactive=False)
    try:
        nurse = make.make_user(Role.LAB_STAFF)
        session = make.make_session(make.make_patient(nurse.memberships.get().centre))
        for number in range(60):
            log(by=nurse, session=session, kind="note", text=f"note {number}")
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, sync_playwright() as playwright:
            server = Server(Path(folder))
            wait_for(server.ready, "the server", 60)
            chromium = shutil.which("chromium") or "chromium"
            tablet = Tablet("A", playwright.chromium, chromium, Path(folder) / "A", server, session, nurse)
            measure(tablet.page, tablet)
            tablet.close()
            server.kill()
    finally:
        teardown_databases(old, verbosity=0)


if __name__ == "__main__":
    main()
