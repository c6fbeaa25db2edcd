"""What the change trail costs on a write, as a ratio: the same write with and without it, taking turns in one run.

A write is what a person does to a patient: a new assessment as a request to the API, which is what somebody waits for
and what the limit is about; and as bare calls of the service, each a committed transaction. Runs on the database of
``DATABASE_URL``, in a test database of its own; without one, on SQLite. Rounds can be given.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")

import django

django.setup()

from django.db import connection  # noqa: E402 - all of these need the settings
from django.test import Client  # noqa: E402
from django.test.runner import DiscoverRunner  # noqa: E402

from registry.models import Change, Record, new_key  # noqa: E402
from registry.services.course import put_assessment  # noqa: E402
from registry.trail import record as trail  # noqa: E402
from registry.trail.verify import chain_faults  # noqa: E402
from tests import factories as make  # noqa: E402

ROUNDS, LIMIT = 600, 1.15
NAMES = {
    "send": "a new assessment sent to the API",
    "create": "the bare service, new",
    "correct": "the bare service, new and corrected",
}


@contextmanager
def without_trail() -> Iterator[None]:
    """Leave the trail out of the write, as if there were none."""
    kept = trail.write, trail.state_of
    # Plain functions: a mock would cost time itself.
    trail.write, trail.state_of = (lambda **_: None), (lambda _: {})
    try:
        yield
    finally:
        trail.write, trail.state_of = kept


def seconds(act: Callable[[], object]) -> float:
    """Time one act, processor and waiting alike."""
    begin = time.perf_counter()
    act()
    return time.perf_counter() - begin


def main() -> None:
    """Print the ratios, and how many links hold afterwards."""
    rounds = int(sys.argv[1]) if sys.argv[1:] else ROUNDS
    patient = make.make_patient()
    by = make.writer_of(patient.centre)
    client = Client()
    client.force_login(by)
    times: dict[tuple[str, bool], list[float]] = {}
    values = {"kind": "before", "assessed_on": make.DAY, "lvef_percent": 30.0, "lvedv_ml": 200.0, "lvesv_ml": 140.0}
    for turn in range(2 * rounds):
        for kept in (True, False) if turn % 2 else (False, True):
            held: list[Record] = []

            def create(held: list[Record] = held) -> None:
                held.append(put_assessment(by=by, patient=patient, **values))

            def correct(held: list[Record] = held, turn: int = turn) -> None:
                put_assessment(
                    by=by, patient=patient, key=held[0].pk, version=1, **values | {"nt_probnp_pg_per_ml": 100.0 + turn}
                )

            def send(turn: int = turn) -> None:
                sent = values | {
                    "patient": str(patient.pk),
                    "assessed_on": "2024-03-02",
                    "lvef_percent": 20.0 + turn % 40,
                }
                address = f"/api/v1/assessments/{new_key()}"
                answer = client.put(address, json.dumps(sent), content_type="application/json")
                assert answer.status_code == 201, answer.content

            for name, act in (("create", create), ("correct", correct), ("send", send)):
                if kept:
                    taken = seconds(act)
                else:
                    with without_trail():
                        taken = seconds(act)
                if turn >= rounds // 5:  # warmed up
                    times.setdefault((name, kept), []).append(taken)
    for name in NAMES:
        with_it, without = (statistics.median(times[name, kept]) for kept in (True, False))
        ratio = with_it / without
        print(
            f"{connection.vendor}, {NAMES[name]}: {1e6 * without:.0f} µs without the trail, "
            f"{1e6 * with_it:.0f} µs with it, ratio {ratio:.3f}" + (f" (limit {LIMIT})" if name == "send" else "")
        )
    print(f"{Change.objects.count()} links, {len(list(chain_faults()))} faults in the chain")


if __name__ == "__main__":
    runner = DiscoverRunner(verbosity=0, interactive=False)
    databases = runner.setup_databases()
    try:
        main()
    finally:
        runner.teardown_databases(databases)
