"""The queue, its workers and the clock are all down: people log in, unlock, enter at the bedside and sign."""

from __future__ import annotations

import json
import re
import secrets
import urllib.error
import urllib.request
from collections.abc import Iterator
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.parse import urlencode

import psycopg
import pytest
from django.conf import settings

from tests.factories import PASSWORD
from tests.ops.processes import Running, environment, free_port, on_postgresql_only, run, running

pytestmark = [pytest.mark.slow, on_postgresql_only]
MAKE = f"""
from tests import factories as make
user = make.make_user("physician", password={PASSWORD!r})
session = make.end_session(make.make_session(make.make_patient(user.memberships.get().centre, by=user), by=user))
print("made", user.username, session.pk)
"""


@pytest.fixture(scope="module")
def env(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """Return the environment of a service of its own whose queue is a closed port."""
    name = f"test_without_queue_{secrets.token_hex(6)}"
    with psycopg.connect(settings.DATABASE_URL, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    yield environment(
        TRIBUTARY_VAR=str(tmp_path_factory.mktemp("service")),
        DATABASE_URL=re.sub(r"/[^/]*$", f"/{name}", settings.DATABASE_URL),
        CELERY_BROKER_URL=f"redis://127.0.0.1:{free_port()}/0",
    )
    with psycopg.connect(settings.DATABASE_URL, autocommit=True) as server:
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


class Browser:
    """Somebody's browser: it keeps cookies and sends the token of the forms."""

    def __init__(self, port: int) -> None:
        self.site, self.jar = f"http://127.0.0.1:{port}", CookieJar()
        self._open = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(self.jar)).open

    def ask(self, path: str, body: bytes | None = None, kind: str = "") -> tuple[int, str, str]:
        """Return status, address at the end and text of an answer."""
        token = next((cookie.value or "" for cookie in self.jar if cookie.name == "csrftoken"), "")
        headers = {"X-CSRFToken": token, "Referer": self.site, **({"Content-Type": kind} if kind else {})}
        request = urllib.request.Request(self.site + path, body, headers)  # noqa: S310 - this machine
        try:
            with self._open(request, timeout=60) as answer:
                return answer.status, answer.url.removeprefix(self.site), answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, path, error.read().decode()

    def fill_in(self, path: str, **fields: str) -> tuple[int, str, str]:
        """Send a form."""
        return self.ask(path, urlencode(fields).encode(), "application/x-www-form-urlencoded")

    def send(self, path: str, **values: object) -> tuple[int, str, str]:
        """Send JSON."""
        return self.ask(path, json.dumps(values).encode(), "application/json")


def test_people_work_while_queue_workers_and_clock_are_down(env: dict[str, str], tmp_path: Path) -> None:
    run(["python", "manage.py", "migrate", "--no-input", "-v", "0"], env)
    made = run(["python", "manage.py", "shell", "-v", "0", "-c", MAKE], env)
    _, username, session = re.search(r"(made) (\S+) (\S+)", made).groups()  # type: ignore[union-attr] # run succeeded
    port = free_port()
    words = ["gunicorn", "--config", "config/ops/gunicorn.py", "config.wsgi", "--workers", "1"]

    def ready(_: Running) -> bool:
        try:
            return Browser(port).ask("/healthz")[0] == 200
        except OSError:
            return False

    with running([*words, "--bind", f"127.0.0.1:{port}"], env, tmp_path / "log", ready):
        browser = Browser(port)
        browser.ask("/log-in/")
        assert browser.fill_in("/log-in/", username=username, password="wrong")[0] == 200
        status, where, _ = browser.fill_in("/log-in/", username=username, password=PASSWORD)
        assert (status, where) == (200, "/sessions/")

        assert browser.fill_in("/lock/")[0] == 200
        assert browser.ask("/patients/")[1].startswith("/lock/")
        assert browser.fill_in("/lock/", password="wrong")[0] == 422
        status, where, _ = browser.fill_in("/lock/", password=PASSWORD, next="/patients/")
        assert (status, where) == (200, "/patients/")

        status, _, said = browser.ask(f"/api/v1/bedside/sessions/{session}")
        assert status == 200, said
        key = "019400000000700080000000000000ab"
        entry = {"id": key, "sequence": 1, "kind": "log_entry", "key": key, "captured_at": "2024-03-02T09:30:00Z"}
        entry["payload"] = {"kind": "note", "occurred_at": "2024-03-02T09:30:00Z", "text": "Calm."}
        sent = {"session": session, "device": key, "sent_at": "2024-03-02T09:30:01Z", "entries": [entry]}
        status, _, said = browser.send("/api/v1/bedside/entries", **sent)
        assert (status, json.loads(said)["answers"][0]["status"]) == (200, "stored"), said
        status, _, said = browser.send(f"/api/v1/sessions/{session}/sign", checked=True, password=PASSWORD)
        assert status == 200, said
        assert json.loads(said)["status"] == "signed"
        assert browser.ask("/healthz")[::2] == (200, '{"status": "ok"}')
