"""A short fault run; the whole one is ``tests/bench/fault_run.py``."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.fault_run.run import Plan, fault_run
from tests.fault_run.verdict import failures, report

pytestmark = [
    pytest.mark.slow,
    pytest.mark.both_databases,
    pytest.mark.django_db(transaction=True),
]


def test_nothing_is_lost_doubled_or_silently_overwritten(browser: Browser, tmp_path: Path) -> None:
    chromium_type = browser.browser_type
    chromium = shutil.which("chromium")
    assert chromium
    plan = Plan(entries=30, drops=2, restarts=1, kills=1, clocks=1)
    result = fault_run(plan, chromium_type, chromium, tmp_path)
    print(report(result))
    assert failures(result) == []
    assert result["entries"] >= 27
    assert (result["server kills"], result["browser kills"]) == (1, 1)
