"""The whole fault run of the bedside page: ``python tests/bench/fault_run.py [entries]``, on DATABASE_URL's database.

2,000 entries on two tablets, the line dropped 100 times, the server killed 20 times, the browser killed 10 times, the
clocks changed 6 times. Takes several minutes; the tests do the same with less of everything.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"

import django

django.setup()

from django.db import connections  # noqa: E402
from django.test.utils import setup_databases, setup_test_environment, teardown_databases  # noqa: E402
from playwright.sync_api import sync_playwright  # noqa: E402

from tests.fault_run.run import Plan, fault_run  # noqa: E402
from tests.fault_run.verdict import failures, report  # noqa: E402


def main() -> int:
    """Run, print, and say by the exit code whether anything was lost, doubled, out of order or overwritten."""
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    share = entries / 2000
    plan = Plan(entries, round(100 * share), round(20 * share), max(round(10 * share), 1), max(round(6 * share), 1))
    setup_test_environment()
    old = setup_databases(verbosity=0, interactive=False)
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, sync_playwright() as playwright:
            result = fault_run(plan, playwright.chromium, shutil.which("chromium") or "chromium", Path(folder))
            print(report(result))
            # Inside the browser's event loop Django keeps connections of its own.
            connections.close_all()
    finally:
        teardown_databases(old, verbosity=0)
    return 1 if failures(result) else 0


if __name__ == "__main__":
    sys.exit(main())
