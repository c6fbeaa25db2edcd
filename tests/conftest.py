"""What every test shares: no network, a real browser, and a change trail that may be emptied between tests."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import Any

import pytest
from celery import current_app
from django.db import connections
from django.db.backends.base.operations import BaseDatabaseOperations

pytest_plugins = ["tests.chromium", "tests.database"]

_connect = socket.socket.connect


def _is_this_machine(address: Any) -> bool:
    return isinstance(address, str | bytes) or str(address[0]) in {"127.0.0.1", "::1", "localhost"}


@pytest.fixture(scope="session", autouse=True)
def no_network() -> Iterator[None]:
    """Refuse every connection that leaves this machine."""

    def connect(self: socket.socket, address: Any) -> None:
        if not _is_this_machine(address):
            raise OSError(f"A test tried to reach {address}: tests use no network.")
        _connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", connect)
        yield


@pytest.fixture(scope="session", autouse=True)
def trail_may_be_emptied_between_tests() -> Iterator[None]:
    """Take the triggers of the change trail off while Django empties the tables after a test that really committed.

    The trail refuses deletion, which is what it is for; emptying a test database is the one exception, and it is made
    here rather than in the product. Tests that run in a transaction are rolled back and never get here.
    """
    empty = BaseDatabaseOperations.execute_sql_flush

    def without_triggers(self: BaseDatabaseOperations, statements: list[str]) -> None:
        with self.connection.cursor() as cursor:
            if self.connection.vendor == "sqlite":
                cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
                triggers = dict(cursor.fetchall())
                before = [f'DROP TRIGGER "{name}"' for name in triggers]
                after = list(triggers.values())
            else:
                cursor.execute("SELECT DISTINCT tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal")
                tables = [name for (name,) in cursor.fetchall()]
                before = [f"ALTER TABLE {table} DISABLE TRIGGER USER" for table in tables]
                after = [f"ALTER TABLE {table} ENABLE TRIGGER USER" for table in tables]
        empty(self, [*before, *statements, *after])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(BaseDatabaseOperations, "execute_sql_flush", without_triggers)
        yield


@pytest.fixture
def queue_down(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the service have a queue that nobody answers for: its port is closed."""
    settings.JOBS_BY = "queue"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    monkeypatch.setattr(current_app.conf, "broker_write_url", f"redis://127.0.0.1:{port}/0")


@pytest.fixture
def on_postgresql(db: None) -> bool:
    """Say which of the two databases this run is on."""
    return connections["default"].vendor == "postgresql"
