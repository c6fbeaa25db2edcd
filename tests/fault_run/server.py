"""The server of a fault run: a real one, killed without warning."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import urllib.request
from contextlib import suppress
from pathlib import Path

from django.conf import settings
from django.db import connection

from tests.ops.processes import environment, free_port


class Server:
    """A real gunicorn on the test's database, killed without warning."""

    def __init__(self, folder: Path) -> None:
        name = connection.settings_dict["NAME"]
        sqlite = connection.vendor == "sqlite"
        url = f"sqlite:///{name}" if sqlite else re.sub(r"/[^/]*$", f"/{name}", settings.DATABASE_URL)
        self._env, self._log, self.port = environment(DATABASE_URL=url), folder / "server.log", free_port()
        self.kills = 0
        self.start()

    def start(self) -> None:
        """Start without waiting."""
        words = ["gunicorn", "config.wsgi", "--bind", f"127.0.0.1:{self.port}", "--threads", "4", "--workers", "1"]
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(
                [*words, "--no-control-socket"], env=self._env, stdout=out, stderr=out, start_new_session=True
            )

    def alive(self) -> bool:
        """Say whether its process runs."""
        return self._process.poll() is None

    def ready(self) -> bool:
        """Say whether it answers; it listens before it can."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/healthz", timeout=5) as answer:
                return answer.status == 200
        except OSError:
            return False

    def kill(self) -> None:
        """Kill it and its worker at once."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self.kills += 1


def let_go() -> None:
    """End what the killed server left in this run's own database: its transactions must not block the next test."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
