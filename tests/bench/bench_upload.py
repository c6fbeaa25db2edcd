"""How long an entry at the bedside waits while a large file is taken in, and how long a window of it takes to draw.

Another process stores a CSV file of 116 MB in the same session while this one writes log entries, through the same
services as the pages. ``DATABASE_URL`` chooses the database; on PostgreSQL one of its own is made and dropped again.
Wanted: p95 within 1.5 times of that without an upload; a window of 10 s within 100 ms. The ratio includes what two
processes on a busy machine take from one another, so a third figure is given: the same with a process that only works.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
FOLDER = Path(os.environ.setdefault("BENCH_FOLDER", tempfile.mkdtemp(prefix="bench-upload-")))

import django  # noqa: E402

django.setup()

import numpy as np  # noqa: E402
from django.conf import settings  # noqa: E402
from django.db import connection  # noqa: E402
from django.test.utils import setup_databases  # noqa: E402

from procedures.models import Recording, Session  # noqa: E402
from procedures.selectors.drawn_signals import drawn_signals  # noqa: E402
from procedures.services.intake import SentFile  # noqa: E402
from procedures.services.recordings import store_recording  # noqa: E402
from procedures.services.sessions import log  # noqa: E402
from tests import factories as make  # noqa: E402

settings.MEDIA_ROOT = FOLDER / "store"
MEGABYTES = float(os.environ.get("BENCH_MB", "116"))
ENTRIES = 60


def write_csv(path: Path) -> None:
    """Twelve channels at 1000 Hz; ten bytes a value."""
    seconds = int(MEGABYTES * 1e6 / (1000 * 116))
    rng = np.random.default_rng(1)
    names = ["P_LV [mmHg]", *(f"V_{n} [mL]" for n in range(1, 8)), *(f"ECG_{n} [mV]" for n in ("I", "II", "V1", "V2"))]
    with path.open("w") as file:
        file.write("time_s," + ",".join(names) + "\n")
        for first in range(0, seconds * 1000, 20_000):
            count = min(20_000, seconds * 1000 - first)
            values = 60 + 40 * rng.random((count, 12))
            table = np.column_stack(((first + np.arange(count)) / 1000, values))
            np.savetxt(file, table, delimiter=",", fmt=["%.3f"] + ["%.5f"] * 12)


def entries(session: Session, busy: subprocess.Popen[bytes] | None = None) -> list[float]:
    """Seconds that each entry took; with a process, as many as it lives for."""
    by, waited = make.writer_of(session.centre), []
    while (busy.poll() is None) if busy else len(waited) < ENTRIES:
        begun = time.perf_counter()
        log(by=by, session=session, kind="note", text="Calm.", occurred_at=make.START)
        waited.append(time.perf_counter() - begun)
        time.sleep(0.1)
    return waited


def as_child(what: str, *given: str) -> subprocess.Popen[bytes]:
    """Start this script for the other part."""
    name = str(connection.settings_dict["NAME"])
    return subprocess.Popen([sys.executable, __file__, what, name, *given], env=os.environ | {"PYTHONPATH": "."})


def child(what: str, name: str, *given: str) -> None:
    """Work, or take in the file."""
    if what == "work":
        for _ in range(3):
            np.loadtxt(given[0], delimiter=",", skiprows=1, max_rows=100_000)
        return
    connection.settings_dict["NAME"] = name
    session = Session.objects.get(pk=given[1])
    store_recording(
        by=make.writer_of(session.centre),
        session=session,
        upload=SentFile(Path(given[0])),
        original_name="large.csv",
        started_at=session.started_at,
    )


def p95(waited: list[float]) -> str:
    """In ms, with how many there were and the longest."""
    return f"p95 {np.percentile(waited, 95) * 1e3:.1f} ms, longest {max(waited) * 1e3:.1f} ms of {len(waited)}"


def main() -> None:
    """Measure and print."""
    path = FOLDER / "large.csv"
    write_csv(path)
    old = setup_databases(0, False)
    try:
        session = make.make_session()
        quiet = entries(session)
        working = entries(session, as_child("work", str(path)))
        begun = time.perf_counter()
        during = entries(session, as_child("store", str(path), str(session.pk)))
        stored_s = time.perf_counter() - begun
        ratios = [np.percentile(during, 95) / np.percentile(other, 95) for other in (quiet, working)]
        print(f"{connection.vendor}: file of {path.stat().st_size / 1e6:.0f} MB taken in within {stored_s:.1f} s")
        print(f"  entry, nothing else: {p95(quiet)}")
        print(f"  entry, a process at work: {p95(working)}")
        print(f"  entry, the file taken in: {p95(during)}; ratio {ratios[0]:.2f}, to a process at work {ratios[1]:.2f}")
        recording = Recording.objects.get()
        for name, first, length in (("window of 10 s", 50.0, 10.0), ("whole recording", 0.0, recording.duration_s)):
            took = []
            for turn in range(15):
                start = first + (turn if length == 10.0 else 0.0)
                begun = time.perf_counter()
                drawn_signals(recording, start, start + length, 1200)
                took.append((time.perf_counter() - begun) * 1e3)
            print(
                f"  {name}: median {np.median(took[1:]):.1f} ms, longest {max(took[1:]):.1f} ms, first {took[0]:.0f} ms"
            )
    finally:
        for database, name, destroy in old:
            if destroy:
                database.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        child(*sys.argv[1:])
    else:
        main()
