"""What a large upload costs: memory and time of the web process and the worker, and how long the bedside waits.

A CSV and an EDF file of 500 MB (``BENCH_MB``) are sent in pieces of 8 MB and then named by the form, in a process that
does what the web process does; another reads them as the worker does. Meanwhile this one writes log entries to the same
session. ``DATABASE_URL`` chooses the database; on PostgreSQL one of its own is made and dropped again.

Wanted: p95 of an entry within 1.5 times of that without an upload; no request above about a second; any window within
100 ms. The ratio includes what two processes on a busy machine take from one another, so a third figure is given: the
same beside a process that only works. Peaks are the kernel's own mark, above what the process held before.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from io import BytesIO
from pathlib import Path

os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
FOLDER = Path(os.environ.setdefault("BENCH_FOLDER", tempfile.mkdtemp(prefix="bench-upload-")))

import django  # noqa: E402

django.setup()

import numpy as np  # noqa: E402
from django.conf import settings  # noqa: E402
from django.db import connection  # noqa: E402
from django.test.utils import setup_databases  # noqa: E402

from config.celery import give_way  # noqa: E402
from procedures.models import Recording, Session, StoredSignals, Upload  # noqa: E402
from procedures.recordings import Channel, Signals, write_edf  # noqa: E402
from procedures.selectors.drawn_signals import drawn_signals  # noqa: E402
from procedures.selectors.signals import load_libraries  # noqa: E402
from procedures.services.recordings import receive_recording  # noqa: E402
from procedures.services.sessions import log  # noqa: E402
from procedures.services.uploads import append, begin_upload, end_upload, sent_file  # noqa: E402
from registry import jobs  # noqa: E402
from tests import factories as make  # noqa: E402
from tests.memory import peak_above  # noqa: E402

settings.MEDIA_ROOT = FOLDER / "store"
settings.JOBS_BY = "queue"  # nobody listens: the worker of this bench is told
MEGABYTES = float(os.environ.get("BENCH_MB", "500"))
ENTRIES = 60
PIECE_BYTES = 8 << 20
NAMES = ["P_LV [mmHg]", *(f"V_{n} [mL]" for n in range(1, 8)), *(f"ECG_{n} [mV]" for n in ("I", "II", "V1", "V2"))]


def write_csv(path: Path) -> None:
    """Twelve channels at 1000 Hz; ten bytes a value."""
    rng, rows = np.random.default_rng(1), 20_000
    values = [",".join(f"{value:.5f}" for value in row) for row in 60 + 40 * rng.random((rows, 12))]
    with path.open("w") as file:
        file.write("time_s," + ",".join(NAMES) + "\n")
        first = 0
        while file.tell() < MEGABYTES * 1e6:
            file.write("".join(f"{(first + n) / 1000:.3f},{row}\n" for n, row in enumerate(values)))
            first += rows


def write_long_edf(path: Path) -> None:
    """Thirty-two channels at 1000 Hz: a minute of them, repeated."""
    rng = np.random.default_rng(1)
    labels = [name.split(" ")[0] for name in NAMES] + [f"x{n}" for n in range(20)]
    units = [name.split("[")[1][:-1] for name in NAMES] + ["mV"] * 20
    minute = [60 + 40 * rng.random(60_000) for _ in labels]
    channels = tuple(Channel(*one[:2], 1000.0, one[2]) for one in zip(labels, units, minute, strict=True))
    write_edf(path, Signals(channels, (), "EDF", 60.0))
    written = path.read_bytes()
    head_bytes, records = int(written[184:192]), int(written[236:244])
    times = max(1, round(MEGABYTES * 1e6 / (len(written) - head_bytes)))
    with path.open("wb") as file:
        file.write(written[:236] + f"{records * times:<8d}".encode() + written[244:head_bytes])
        for _ in range(times):
            file.write(written[head_bytes:])


def entries(session: Session, busy: subprocess.Popen[bytes] | None = None) -> list[float]:
    """Seconds that each entry took; with a process, as many as it lives for."""
    by, waited = make.writer_of(session.centre), []
    while (busy.poll() is None) if busy else len(waited) < ENTRIES:
        begun = time.perf_counter()
        log(by=by, session=session, kind="note", text="Calm.", occurred_at=make.START)
        waited.append(time.perf_counter() - begun)
        time.sleep(0.1)
    if busy and busy.returncode:
        raise SystemExit(f"The other process ended with {busy.returncode}.")
    return waited


def as_child(what: str, *given: str) -> subprocess.Popen[bytes]:
    """Start this script for the other part."""
    name = str(connection.settings_dict["NAME"])
    return subprocess.Popen([sys.executable, __file__, what, name, *given], env=os.environ | {"PYTHONPATH": "."})


def child(what: str, name: str, *given: str) -> None:
    """Work, be the web process, or be the worker."""
    if what == "work":
        begun = time.perf_counter()
        while time.perf_counter() - begun < 20:
            np.sort(np.random.default_rng(1).random(1_000_000))
        return
    connection.settings_dict["NAME"] = name
    load_libraries()
    if what == "read":
        give_way()
    took: list[tuple[str, float, float]] = []

    def timed(words: str, work: object) -> object:
        begun, used = time.perf_counter(), time.process_time()
        found = work()  # type: ignore[operator] # timed in a process of its own
        took.append((words, time.perf_counter() - begun, time.process_time() - used))
        return found

    if what == "send":
        peak = peak_above(lambda: send(Path(given[0]), Session.objects.get(pk=given[1]), timed))
    else:
        form = StoredSignals.objects.get(recording__original_name=Path(given[0]).name)
        peak = peak_above(lambda: timed("reading", lambda: jobs.carry_out("signals", form.pk)))
        form.refresh_from_db()
        assert form.state == "done", form.failure
    process = {"send": "web process", "read": "worker"}[what]
    print(f"  {process}: peak {peak / 1e6:.0f} MB above what it held", flush=True)
    for words in dict.fromkeys(words for words, *_ in took):
        one = [(wall, cpu) for name, wall, cpu in took if name == words]
        longest, cpu = max(wall for wall, _ in one), max(cpu for _, cpu in one)
        print(
            f"    {words}: longest {longest * 1e3:.0f} ms, of it {cpu * 1e3:.0f} ms of work, of {len(one)}", flush=True
        )


def send(path: Path, session: Session, timed: object) -> None:
    """Do what the requests of an upload do."""
    by, size = make.writer_of(session.centre), path.stat().st_size
    given = {"by": by, "session": session, "original_name": path.name}
    upload: Upload = timed("request that begins", lambda: begin_upload(size_bytes=size, **given))  # type: ignore[operator] # timed in a process of its own
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            offset = file.tell() - len(piece)
            timed("request with a piece", lambda o=offset, p=piece: append(upload, offset=o, source=BytesIO(p)))  # type: ignore[operator] # timed in a process of its own

    def end() -> None:
        receive_recording(upload=sent_file(upload), started_at=session.started_at, **given)
        end_upload(upload)

    timed("request that names the file", end)  # type: ignore[operator] # timed in a process of its own


def p95(waited: list[float]) -> str:
    """In ms, with how many there were and the longest."""
    return f"p95 {np.percentile(waited, 95) * 1e3:.1f} ms, longest {max(waited) * 1e3:.1f} ms of {len(waited)}"


def measure(path: Path, session: Session, quiet: list[float], working: list[float]) -> None:
    """Send and read one file, with entries beside."""
    print(f"{path.name}, {path.stat().st_size / 1e6:.0f} MB")
    during = {what: entries(session, as_child(what, str(path), str(session.pk))) for what in ("send", "read")}
    for what, waited in (*during.items(), ("both", during["send"] + during["read"])):
        ratios = [np.percentile(waited, 95) / np.percentile(other, 95) for other in (quiet, working)]
        print(f"  entry, {what}: {p95(waited)}; ratio {ratios[0]:.2f}, to a process at work {ratios[1]:.2f}")
    recording = Recording.objects.get(original_name=path.name)
    for length in (10.0, 30.0, 59.0, 60.0, 120.0, recording.duration_s or 0.0):
        took, used = [], []
        for turn in range(12):
            start = min(50.0 + 7 * turn, (recording.duration_s or 0.0) - length)
            begun, work = time.perf_counter(), time.process_time()
            drawn_signals(recording, start, start + length, 1200)
            took.append((time.perf_counter() - begun) * 1e3)
            used.append((time.process_time() - work) * 1e3)
        found = f"median {np.median(took):.0f} ms, longest {max(took):.0f} ms, of it work {max(used):.0f} ms"
        print(f"  window of {length:.0f} s: {found}", flush=True)


def main() -> None:
    """Measure and print."""
    old = setup_databases(0, False)
    try:
        session = make.make_session()
        load_libraries()
        entries(session)
        quiet = entries(session)
        working = entries(session, as_child("work"))
        print(f"{connection.vendor}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        print(f"  entry, nothing else: {p95(quiet)}")
        print(f"  entry, a process at work: {p95(working)}", flush=True)
        for name, write in (("large.csv", write_csv), ("large.edf", write_long_edf)):
            write(FOLDER / name)
            measure(FOLDER / name, session, quiet, working)
            (FOLDER / name).unlink()
    finally:
        shutil.rmtree(FOLDER, ignore_errors=True)
        for database, name, destroy in old:
            if destroy:
                database.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        child(*sys.argv[1:])
    else:
        main()
