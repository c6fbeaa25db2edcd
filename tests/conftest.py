"""What every test shares: no network, a real browser, and a change trail that may be emptied between tests."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import Any

import pytest
from celery import current_app
from django.core.management.commands import flush
from django.db import connections
from django.db.backends.base.operations import BaseDatabaseOperations
from django.db.backends.postgresql.base import DatabaseOperations as PostgreSQLOperations
from django.db.backends.sqlite3.base import DatabaseOperations as SQLiteOperations

pytest_plugins = ["tests.chromium", "tests.database"]

_connect = socket.socket.connect
# Rows that migrating makes and no test changes: kept, rather than deleted and made again after every test.
_MADE_BY_MIGRATING = {"django_content_type", "auth_permission"}


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
    """Empty the tables after a test that really committed, past the triggers of the change trail.

    The trail refuses deletion, which is what it is for; emptying a test database is the one exception, and it is made
    here rather than in the product. Tests that run in a transaction are rolled back and never get here.
    """
    empty = BaseDatabaseOperations.execute_sql_flush

    def without_triggers(self: BaseDatabaseOperations, statements: list[str]) -> None:
        before, after = [], []
        if self.connection.vendor == "sqlite":
            with self.connection.cursor() as cursor:
                cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
                triggers = dict(cursor.fetchall())
            before = [f'DROP TRIGGER "{name}"' for name in triggers]
            after = list(triggers.values())
        empty(self, [*before, *statements, *after])

    of_sqlite = SQLiteOperations.sql_flush

    def delete_rows(self: BaseDatabaseOperations, style: Any, tables: list[str], **options: Any) -> list[str]:
        tables = [table for table in tables if table not in _MADE_BY_MIGRATING]
        if self.connection.vendor == "sqlite":
            return of_sqlite(self, style, tables, **options)
        # No trigger or foreign key is asked in this transaction. Truncating, Django's way, writes every table and index
        # again on the disk: a second a test, where the few rows take hundredths.
        return [
            "SET LOCAL session_replication_role = replica",
            *(f"DELETE FROM {self.quote_name(table)}" for table in tables),  # noqa: S608
        ]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(BaseDatabaseOperations, "execute_sql_flush", without_triggers)
        patch.setattr(PostgreSQLOperations, "sql_flush", delete_rows)
        patch.setattr(SQLiteOperations, "sql_flush", delete_rows)
        patch.setattr(flush, "emit_post_migrate_signal", lambda *_, **__: None)
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
