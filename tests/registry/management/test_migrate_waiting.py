"""Migrations under load: a lock that is not free is given up and tried for again."""

from __future__ import annotations

from io import StringIO
from typing import Any

import psycopg
import pytest
from django.conf import settings as service
from django.core.management import CommandError, call_command
from django.db import OperationalError, connection

from registry.management.commands import migrate_waiting

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(migrate_waiting, "PAUSE_S", 0.05)


def test_a_table_in_use_is_given_up_and_tried_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one lock, which waits by itself")
    name, tries = connection.settings_dict["NAME"], []
    with psycopg.connect(service.DATABASE_URL, dbname=name) as other:
        other.execute("LOCK TABLE registry_sign IN ACCESS SHARE MODE")

        def migrate(*_: Any, **__: Any) -> None:
            tries.append(1)
            if len(tries) == 3:
                other.rollback()
            with connection.cursor() as cursor:
                cursor.execute("LOCK TABLE registry_sign IN ACCESS EXCLUSIVE MODE")

        # A statement outside a transaction would not keep its lock.
        def in_one(*args: Any, **options: Any) -> None:
            from django.db import transaction

            with transaction.atomic():
                migrate(*args, **options)

        monkeypatch.setattr(migrate_waiting, "call_command", in_one)
        call_command("migrate_waiting", "--lock-timeout", "50", stderr=StringIO())
    assert len(tries) == 3


def test_whoever_never_gets_the_lock_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    class Taken(Exception):
        sqlstate = "55P03"

    def never(*_: Any, **__: Any) -> None:
        raise OperationalError from Taken()

    monkeypatch.setattr(migrate_waiting, "call_command", never)
    said = StringIO()
    with pytest.raises(CommandError, match="stayed in use") as found:
        call_command("migrate_waiting", "--tries", "2", stderr=said)
    assert found.value.returncode == 2
    assert "1 tries are left" in said.getvalue()


def test_it_migrates() -> None:
    out = StringIO()
    call_command("migrate_waiting", stdout=out)
    assert "No migrations to apply" in out.getvalue()
