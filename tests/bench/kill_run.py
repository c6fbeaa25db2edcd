"""Web, workers, Redis and PostgreSQL killed under work: ``python tests/bench/kill_run.py [kills of each] [tablets]``.

Starts a PostgreSQL cluster, a Redis, and the processes of the systemd units by their ``ExecStart`` lines, each started
again two seconds after its end as the units say. 30 tablets write an entry a second and send it until it is
acknowledged; meanwhile recordings are analysed. Each of the four is killed (SIGKILL) 20 times in random order. In the
end: every acknowledged entry there once, every recording analysed once, the change trail in order, and work resumed
within 60 s of each kill. Takes about half an hour; exit code 1 where anything is wrong.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import http.client
import json
import os
import random
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
PROGRAMS = "/opt/tributary/venv/bin/"
UNITS = ("web", "analyses", "comparisons", "imports", "clock", "beat")
WORKERS = ("analyses", "comparisons", "clock", "beat")
RESTART_S = 2.0
MOST_S = 60.0


class Part:
    """A process that is started again when it ends, as systemd does with ``Restart=always``."""

    def __init__(self, name: str, words: list[str], env: dict[str, str], folder: Path, user: str | None = None) -> None:
        self.name, self._words, self._env, self._user = name, words, env, user
        self._log, self._stopped, self.kills = folder / f"{name}.log", False, 0
        self._process = self._start()
        threading.Thread(target=self._supervise, daemon=True).start()

    def _start(self) -> subprocess.Popen[bytes]:
        with self._log.open("ab") as out:
            options: dict[str, Any] = {"user": self._user, "group": self._user} if self._user else {}
            return subprocess.Popen(
                self._words, env=self._env, cwd=ROOT, stdout=out, stderr=out, start_new_session=True, **options
            )

    def _supervise(self) -> None:
        while not self._stopped:
            self._process.wait()
            time.sleep(RESTART_S)
            if not self._stopped:
                self._process = self._start()

    def kill(self) -> None:
        """Kill it and what it started at once."""
        self.kills += 1
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)

    def stop(self) -> None:
        """End it for good."""
        self._stopped = True
        self.kill()
        self._process.wait()


class Tablet(threading.Thread):
    """Writes an entry a second, and sends each until it is acknowledged."""

    def __init__(self, number: int, port: int, cookie: str, session: str) -> None:
        super().__init__(daemon=True)
        self._number, self._port, self._cookie, self._session = number, port, cookie, session
        self._device, self.going = str(uuid4()), True
        self.acknowledged: dict[str, float] = {}  # text: when it was written
        self.refused: list[str] = []
        self.tries = 0

    def run(self) -> None:
        """Go on until told to stop; the last entry is sent to its end."""
        from registry.models.base import new_key

        sequence = 0
        while self.going:
            sequence += 1
            text, now = f"tablet {self._number} entry {sequence}", dt.datetime.now(dt.UTC).isoformat()
            payload = {"kind": "note", "occurred_at": now, "text": text}
            entry = {"id": str(new_key()), "sequence": sequence, "kind": "log_entry", "key": str(new_key())}
            entry |= {"payload": payload, "captured_at": now}
            written = time.monotonic()
            while not self._sent(entry):
                time.sleep(0.5)
            self.acknowledged[text] = written
            time.sleep(max(0.0, 1.0 - (time.monotonic() - written)))

    def _sent(self, entry: dict[str, Any]) -> bool:
        body = {"session": self._session, "device": self._device, "entries": [entry]}
        body["sent_at"] = dt.datetime.now(dt.UTC).isoformat()
        headers = {"Cookie": self._cookie, "X-CSRFToken": "a" * 32, "Content-Type": "application/json"}
        self.tries += 1
        try:
            line = http.client.HTTPConnection("127.0.0.1", self._port, timeout=20)
            try:
                line.request("POST", "/api/v1/bedside/entries", json.dumps(body), headers)
                answer = line.getresponse()
                said = answer.read()
            finally:
                line.close()
        except (OSError, http.client.HTTPException):
            return False
        if answer.status != 200:
            if answer.status < 500:
                self.refused.append(f"{answer.status} {said[:200]!r}")
            return False
        status = json.loads(said)["answers"][0]["status"]
        if status not in {"stored", "replayed", "retry"}:  # the process that had taken the entry was killed over it
            self.refused.append(said.decode()[:300])
        return status in {"stored", "replayed"}


def free_port() -> int:
    """Return a port nobody listens on."""
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(condition: Callable[[], bool], what: str, seconds: float) -> float:
    """Wait until the condition holds; return after how many seconds. A part that is down is no answer yet."""
    began = time.monotonic()
    while True:
        with contextlib.suppress(Exception):
            if condition():
                return time.monotonic() - began
        if time.monotonic() - began > seconds:
            raise AssertionError(f"{what}: not within {seconds:g} s")
        time.sleep(0.2)


def main() -> int:
    """Start everything, kill, and say what became of the work."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 30
    folder = Path(tempfile.mkdtemp(prefix="tributary-kill-"))
    folder.chmod(0o755)
    parts: dict[str, Part] = {}
    try:
        return _run(folder, parts, kills, count)
    finally:
        for part in reversed(list(parts.values())):
            part.stop()
        shutil.rmtree(folder, ignore_errors=True)


def _run(folder: Path, parts: dict[str, Part], kills: int, count: int) -> int:
    port, base = _services(folder, parts)
    import django

    django.setup()
    from django.db import close_old_connections

    close_old_connections()
    for unit in UNITS:
        text = (ROOT / "config" / "ops" / "systemd" / f"tributary-{unit}.service").read_text()
        (line,) = re.findall(r"^ExecStart=(.*)$", text, re.MULTILINE)
        words = shlex.split(line.replace(PROGRAMS, f"{Path(sys.executable).parent}/"))
        words = [word.replace("/tmp/", f"{folder}/") for word in words]  # noqa: S108
        parts[unit] = Part(unit, words, base | {"TRIBUTARY_WEB_BIND": f"127.0.0.1:{port}"}, folder)
    tablets, recordings, by = _world(folder, port, count, 4 * kills)
    wait_for(lambda: _answers(port), "the service", 120)
    for tablet in tablets:
        tablet.start()
    wait_for(lambda: all(tablet.acknowledged for tablet in tablets), "the first entries", 120)
    order = [name for name in ("web", "worker", "redis", "postgresql") for _ in range(kills)]
    rng = random.Random(1)  # noqa: S311 - a repeatable course of events
    rng.shuffle(order)
    took: dict[str, list[float]] = {name: [] for name in ("web", "worker", "redis", "postgresql")}
    late: list[str] = []
    for number, name in enumerate(order):
        recording = recordings[number]
        wait_for(lambda one=recording: _asked(one, by), "an analysis is asked for", 120)
        time.sleep(rng.uniform(0, 2))
        part = parts[rng.choice(WORKERS) if name == "worker" else name]
        part.kill()
        killed = time.monotonic()
        try:
            wait_for(lambda at=killed: _newer(tablets, at), "an entry written since", 600)
            wait_for(lambda one=recording: _analysed(one), "the analysis", 600)
        except AssertionError as error:
            late.append(f"{number} {part.name}: {error}")
        took[name].append(time.monotonic() - killed)
        print(f"{number + 1} of {len(order)}: {part.name}, work again after {took[name][-1]:.1f} s", flush=True)
    for tablet in tablets:
        tablet.going = False
    for tablet in tablets:
        tablet.join(120)
    wrong = [*late, *_wrong(tablets, recordings)]
    print(
        f"{sum(len(one) for one in took.values())} kills, {sum(len(one.acknowledged) for one in tablets)} entries "
        f"acknowledged in {sum(one.tries for one in tablets)} tries, {len(recordings)} recordings analysed"
    )
    for name, seconds in took.items():
        print(f"{name}: {len(seconds)} kills, work again after {max(seconds, default=0):.1f} s at most")
        wrong += [f"{name}: {one:.0f} s" for one in seconds if one > MOST_S]
    print(f"load {os.getloadavg()[0]:.1f}")
    print("\n".join(wrong) or "nothing lost, doubled or half-written")
    return 1 if wrong else 0


def _services(folder: Path, parts: dict[str, Part]) -> tuple[int, dict[str, str]]:
    """Start PostgreSQL and Redis and migrate; return the port for the web and the environment of the processes."""
    bin_ = sorted(Path("/usr/lib/postgresql").glob("*/bin"))[-1]
    user = "postgres" if os.getuid() == 0 else None
    database, queue, web = free_port(), free_port(), free_port()
    data = folder / "postgresql"
    data.mkdir()
    if user:
        shutil.chown(data, user)
    words = [str(bin_ / "initdb"), "-D", str(data), "-U", "postgres", "-A", "trust", "-E", "UTF8"]
    subprocess.run(words, check=True, capture_output=True, user=user, cwd="/")
    env = {"PATH": os.environ["PATH"], "LANG": "C.UTF-8"}
    words = [str(bin_ / "postgres"), "-D", str(data), "-p", str(database), "-k", "", "-h", "127.0.0.1"]
    parts["postgresql"] = Part("postgresql", words, env, folder, user)
    words = ["redis-server", "--port", str(queue), "--bind", "127.0.0.1", "--save", "", "--dir", str(folder)]
    parts["redis"] = Part("redis", words, env, folder)
    ours = {
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "DATABASE_URL": f"postgresql://postgres@127.0.0.1:{database}/postgres",
        "CELERY_BROKER_URL": f"redis://127.0.0.1:{queue}/0",
        "TRIBUTARY_VAR": str(folder / "var"),
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
    }
    os.environ |= ours
    wait_for(
        lambda: (
            subprocess.run([str(bin_ / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(database)]).returncode == 0
        ),
        "PostgreSQL",
        60,
    )
    subprocess.run([sys.executable, "manage.py", "migrate", "-v", "0"], cwd=ROOT, env=dict(os.environ), check=True)
    return web, dict(os.environ)


def _world(folder: Path, port: int, tablets: int, recordings: int) -> tuple[list[Tablet], list[Any], Any]:
    """Make people, sessions and recordings; each tablet is at a session of its own."""
    from django.conf import settings
    from django.test import Client
    from django.utils import timezone

    from procedures.services.recordings import mark_epoch, store_recording
    from registry.models import Role
    from tests import factories as make
    from tests.signals import Uploaded, pressure_volume_csv

    centre = make.make_centre()
    by = make.make_user(Role.PHYSICIAN, centre)
    now = timezone.now()
    made = []
    for number in range(tablets):
        client = Client()
        client.force_login(by)
        session = make.make_session(make.make_patient(centre, by=by), by=by, started_at=now)
        token = f"{settings.CSRF_COOKIE_NAME}={'a' * 32}"
        cookie = f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}; {token}"
        made.append(Tablet(number, port, cookie, str(session.pk)))
    stored = []
    for number in range(recordings):
        session = make.make_session(make.make_patient(centre, by=by), by=by, started_at=now)
        content = pressure_volume_csv(30 + number / 250)
        one = store_recording(
            by=by, session=session, upload=Uploaded(content), original_name="day.csv", started_at=session.started_at
        )
        mark_epoch(by=by, recording=one, site=None, start_s=2, end_s=28)
        stored.append(one)
    return made, stored, by


def _answers(port: int) -> bool:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    line.request("GET", "/healthz")
    return line.getresponse().status == 200


def _asked(recording: Any, by: Any) -> bool:
    """Ask for an analysis unless it was asked for: the answer may have been lost with the database."""
    from django.db import connection

    from procedures.models import AnalysisRun
    from procedures.services.analysis import start_analysis

    try:
        if not AnalysisRun.objects.filter(recording=recording).exists():
            start_analysis(by=by, recording=recording)
    except Exception:
        connection.close()
        raise
    return True


def _analysed(recording: Any) -> bool:
    from django.db import connection

    from procedures.models import AnalysisRun

    try:
        state = AnalysisRun.objects.values_list("state", flat=True).get(recording=recording)
    except Exception:
        connection.close()
        raise
    return bool(state == "done")


def _newer(tablets: list[Tablet], moment: float) -> bool:
    """Say whether every tablet had an entry acknowledged that was written after the moment."""
    return all(any(at > moment for at in list(tablet.acknowledged.values())[-3:]) for tablet in tablets)


def _wrong(tablets: list[Tablet], recordings: list[Any]) -> list[str]:
    """Compare what was acknowledged and asked for with what is there."""
    from django.core.management import call_command

    from procedures.models import AnalysisRun, EpochMetric, LogEntry
    from registry.models import Change

    wrong = [f"refused: {said}" for tablet in tablets for said in tablet.refused[:3]]
    found = Counter(LogEntry.objects.filter(text__startswith="tablet ").values_list("text", flat=True))
    for text in {text for tablet in tablets for text in tablet.acknowledged} - found.keys():
        wrong.append(f"acknowledged and not there: {text}")
    wrong += [f"{times} times there: {text}" for text, times in found.items() if times > 1]
    linked = Change.objects.filter(record_type="procedures.logentry").values("record_id").distinct().count()
    if linked != LogEntry.objects.count():
        wrong.append(f"{LogEntry.objects.count()} entries, {linked} of them in the trail")
    sizes = set()
    for recording in recordings:
        runs = list(AnalysisRun.objects.filter(recording=recording).values_list("pk", "state"))
        if [state for _, state in runs] != ["done"]:
            wrong.append(f"runs of a recording: {runs}")
        epoch = recording.epochs.get()
        metrics = list(EpochMetric.objects.filter(epoch=epoch).values_list("key", "run_id"))
        sizes.add(len(metrics))
        if len({key for key, _ in metrics}) != len(metrics) or not metrics:
            wrong.append(f"metrics of an epoch: {metrics}")
    if len(sizes) > 1:
        wrong.append(f"half-written: {sorted(sizes)} metrics")
    try:
        call_command("verify_trail", stdout=sys.stdout)
    except BaseException as error:
        wrong.append(f"verify_trail: {error}")
    return wrong


if __name__ == "__main__":
    sys.exit(main())
