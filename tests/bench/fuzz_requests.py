"""Made-up requests in great number: ``python tests/bench/fuzz_requests.py [requests] [number]``.

100,000 requests to the service in this process: the API by its document in every phase of schemathesis, entries of a
tablet, forms of every page and odd addresses by hypothesis. Exit code 1 where one is answered with 5xx, leaves a
traceback, or takes more than 2 s of the processor. ``number`` begins other requests.
"""

# ruff: noqa: E402 - the settings must be chosen before anything of Django is imported

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"

import django

django.setup()

from django.conf import settings
from django.test.utils import get_runner, setup_test_environment

from tests.fuzzing.requests import Plan, run
from tests.fuzzing.watched import Outcome


def main() -> int:
    """Run until so many were sent, and print what came of it."""
    wanted = int(sys.argv[1].replace(",", "")) if len(sys.argv) > 1 else 100_000
    number = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    setup_test_environment()
    runner = get_runner(settings)(verbosity=0, interactive=False)
    databases = runner.setup_databases()
    began, told = time.process_time(), 0

    def tell(what: str, outcome: Outcome) -> None:
        nonlocal told
        for fault in outcome.faults[told:]:
            print(fault, flush=True)
        told = len(outcome.faults)
        spent = time.process_time() - began
        print(f"after {what}: {outcome.requests} requests, {told} faults, {spent:.0f} s", flush=True)

    share = max(wanted // 5000, 1)
    try:
        plan = Plan(document=6 * share, entries=900 * share, forms=1500 * share, addresses=800 * share, number=number)
        outcome = run(plan, tell)
    finally:
        runner.teardown_databases(databases)
    print(dict(sorted(outcome.statuses.items())))
    print(
        f"{outcome.requests} requests, {len(outcome.faults)} faults, longest {outcome.longest_s:.2f} s "
        f"({outcome.longest}), load {os.getloadavg()[0]:.1f}"
    )
    return 1 if outcome.faults else 0


if __name__ == "__main__":
    sys.exit(main())
