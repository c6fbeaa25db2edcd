"""The service as the fuzzers meet it: in this process, every request counted, timed, and undone."""

from __future__ import annotations

import logging
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, connections, transaction
from django.test import Client

MOST_CPU_S = 2.0


@dataclass
class Outcome:
    """What came of a run. ``faults``: what was sent, and what happened instead of an answer."""

    statuses: Counter[int] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    longest_s: float = 0.0
    longest: str = ""

    @property
    def requests(self) -> int:
        """How many were answered or failed."""
        return sum(self.statuses.values())

    def note(self, sent: str, status: int, took_s: float, errors: Iterable[str]) -> None:
        """Count an answer, and keep what is wrong with it."""
        self.statuses[status] += 1
        if took_s > self.longest_s:
            self.longest_s, self.longest = took_s, sent[:300]
        if status >= HTTPStatus.INTERNAL_SERVER_ERROR and status not in _MEANT:
            self.faults.append(f"{sent}: {status}")
        if took_s > MOST_CPU_S:
            self.faults.append(f"{sent}: took {took_s:.1f} s of the processor")
        self.faults += [f"{sent}: {error}" for error in errors]


# The service says so itself, where a part of it is not there: readiness without a queue, a page that waits.
_MEANT = {HTTPStatus.SERVICE_UNAVAILABLE, HTTPStatus.NOT_IMPLEMENTED}


class Errors(logging.Handler):
    """Keeps the tracebacks that are logged, by thread."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self._said: dict[int, list[str]] = {}

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info:
            self._said.setdefault(threading.get_ident(), []).append(self.format(record))

    def taken(self) -> list[str]:
        """Return what was logged since, and forget it."""
        return self._said.pop(threading.get_ident(), [])

    def __enter__(self) -> Errors:
        # Requests of this process share its connection, as those of the test client do.
        for one in (request_started, request_finished):
            one.disconnect(close_old_connections)
        for name in ("", "django", "django.request"):
            logging.getLogger(name).addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        for one in (request_started, request_finished):
            one.connect(close_old_connections)
        for name in ("", "django", "django.request"):
            logging.getLogger(name).removeHandler(self)


class WatchedApplication:
    """A WSGI application in front of the service's own, logged in. ``undo``: what a request wrote is rolled back."""

    def __init__(self, client: Client, outcome: Outcome, errors: Errors, *, undo: bool = True) -> None:
        from config.wsgi import application

        self._application, self._outcome, self._errors, self.undo = application, outcome, errors, undo
        token = "a" * 32
        session = client.cookies[settings.SESSION_COOKIE_NAME].value
        self._cookie = f"{settings.SESSION_COOKIE_NAME}={session}; {settings.CSRF_COOKIE_NAME}={token}"
        self._token = token

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> list[bytes]:
        environ["HTTP_COOKIE"], environ["HTTP_X_CSRFTOKEN"] = self._cookie, self._token
        sent = f"{environ['REQUEST_METHOD']} {environ['PATH_INFO']}?{environ.get('QUERY_STRING', '')}"[:600]
        answered: list[int] = []

        def started(status: str, *rest: Any) -> Any:
            answered.append(int(status.split()[0]))
            return start_response(status, *rest)

        before = time.thread_time()
        with transaction.atomic():
            try:
                body = b"".join(self._application(environ, started))
            except Exception:
                self._outcome.faults.append(f"{sent}: {traceback.format_exc(limit=-6)}")
                start_response("500 Server error", [])
                body = b""
            finally:
                if self.undo:
                    transaction.set_rollback(True)
        if threading.current_thread() is not threading.main_thread():
            connections.close_all()  # the thread ends some time, and would leave its connection to the test database
        status = answered[0] if answered else 500
        errors = self._errors.taken()
        if errors:
            stream = environ["wsgi.input"]
            if hasattr(stream, "seek"):
                stream.seek(0)
                sent += f" {stream.read(4000)!r}"
        self._outcome.note(sent, status, time.thread_time() - before, errors)
        return [body]
