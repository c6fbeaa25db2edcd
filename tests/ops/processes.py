"""Real processes of the service, started and stopped by a test."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from django.conf import settings

ROOT = Path(settings.BASE_DIR)
#: For what is about a service of several processes: those share a PostgreSQL.
on_postgresql_only = pytest.mark.skipif(
    not settings.DATABASE_URL.startswith("postgres"), reason="runs in the PostgreSQL half of 'make test'"
)


def free_port() -> int:
    """Return a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def environment(**more: str) -> dict[str, str]:
    """Return the environment of a service process: the one of these tests, but with the service's own settings."""
    programs = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    # Set for the browser tests of this process only; a production service refuses it.
    ours = {name: value for name, value in os.environ.items() if name != "DJANGO_ALLOW_ASYNC_UNSAFE"}
    return ours | {"DJANGO_SETTINGS_MODULE": "config.settings", "PATH": programs} | more


def run(words: list[str], env: dict[str, str], cwd: Path = ROOT) -> str:
    """Run a command to its end and return what it printed; a failure shows what it said."""
    done = subprocess.run(words, cwd=cwd, env=env, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout


def wait_for(condition: Callable[[], bool], what: str, seconds: float = 120) -> None:
    """Wait until the condition holds."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"{what}: not within {seconds:g} s"
        time.sleep(0.1)


class Running:
    """A process that runs, and what it has said so far."""

    def __init__(self, process: subprocess.Popen[bytes], log: Path) -> None:
        self.process, self._log = process, log

    def said(self) -> str:
        """Return its output."""
        return self._log.read_text(errors="replace")

    def alive(self) -> bool:
        """Say whether it still runs."""
        return self.process.poll() is None


@contextmanager
def running(
    words: list[str], env: dict[str, str], log: Path, ready: Callable[[Running], bool], cwd: Path = ROOT
) -> Iterator[Running]:
    """Start a process, wait until it is ready, and stop it with what it started afterwards."""
    with log.open("wb") as out:
        process = subprocess.Popen(words, cwd=cwd, env=env, stdout=out, stderr=out, start_new_session=True)
    started = Running(process, log)
    try:
        wait_for(lambda: ready(started) or not started.alive(), f"{words[:4]} ready")
        assert started.alive(), f"{words} stopped: {started.said()}"
        yield started
    finally:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        with suppress(ProcessLookupError):  # what it started and left behind
            os.killpg(process.pid, signal.SIGKILL)
