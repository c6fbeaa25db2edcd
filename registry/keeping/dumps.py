"""Taking a database out and putting it in: SQLite by its backup interface, PostgreSQL by pg_dump and pg_restore.

Both read one state of the database while people write. Passwords go to the programs by the environment.
"""

from __future__ import annotations

import os
import secrets
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import psycopg
from django.db import connection

from registry.errors import RuleBroken
from registry.keeping.contents import Contents, contents, tables

_NAMES = {"HOST": "PGHOST", "PORT": "PGPORT", "USER": "PGUSER", "PASSWORD": "PGPASSWORD", "NAME": "PGDATABASE"}


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise RuleBroken(f"{name} is not installed; it is in the package 'postgresql-client'.")
    return found


def _environment(name: str = "") -> dict[str, str]:
    known = connection.settings_dict | ({"NAME": name} if name else {})
    return os.environ | {variable: str(known[key]) for key, variable in _NAMES.items() if known.get(key)}


def _connect(name: str = "", **options: Any) -> psycopg.Connection[Any]:
    known = connection.settings_dict | ({"NAME": name} if name else {})
    words = {"host": "HOST", "port": "PORT", "user": "USER", "password": "PASSWORD", "dbname": "NAME"}
    return psycopg.connect(**{word: known[key] for word, key in words.items() if known.get(key)}, **options)


@contextmanager
def taken() -> Iterator[tuple[Contents, BinaryIO]]:
    """Give what the database holds and a stream of its dump, both of one moment.

    Raises
    ------
    RuleBroken
        When the dump does not succeed; it may say so at its end.
    """
    if connection.vendor == "sqlite":
        yield from _taken_from_sqlite()
    else:
        yield from _taken_from_postgresql()


def _taken_from_sqlite() -> Iterator[tuple[Contents, BinaryIO]]:
    place = Path(connection.settings_dict["NAME"])
    # Beside the database, which lies as open as this copy does; never in the folder of backups.
    with tempfile.NamedTemporaryFile(dir=place.parent, prefix=".being-kept-") as copy:
        with closing(sqlite3.connect(place)) as source, closing(sqlite3.connect(copy.name)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode=DELETE")
            found = contents(target, "sqlite")
        with Path(copy.name).open("rb") as stream:
            yield found, stream


def _taken_from_postgresql() -> Iterator[tuple[Contents, BinaryIO]]:
    program = _program("pg_dump")
    with _connect() as own:
        own.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
        own.read_only = True
        (snapshot,) = own.execute("SELECT pg_export_snapshot()").fetchone() or ("",)
        found = contents(own, "postgresql")
        words = [program, "--format=custom", "--no-owner", "--no-privileges", f"--snapshot={snapshot}"]
        with tempfile.TemporaryFile() as said:
            dump = subprocess.Popen(words, env=_environment(), stdout=subprocess.PIPE, stderr=said)  # noqa: S603
            assert dump.stdout is not None  # noqa: S101 - tells the type checker
            try:
                yield found, dump.stdout  # type: ignore[misc] # a binary stream
                _ended(dump.wait(), said, "pg_dump")
            finally:
                dump.kill()
                dump.wait()
                dump.stdout.close()


def _ended(code: int, said: BinaryIO, program: str) -> None:
    if code:
        said.seek(0)
        lines = said.read().decode(errors="replace").strip().splitlines()
        raise RuleBroken(f"{program} stopped: {lines[0] if lines else f'exit code {code}'}")


def is_empty() -> bool:
    """Say whether the service's database holds no table yet."""
    if connection.vendor == "sqlite":
        place = Path(connection.settings_dict["NAME"])
        if not place.exists():
            return True
        with closing(sqlite3.connect(place)) as own:
            return not tables(own, "sqlite")
    with _connect() as own_postgresql:
        return not tables(own_postgresql, "postgresql")


def put_in(dump: Path) -> None:
    """Fill the service's empty database from a dump: all of it, or nothing."""
    if connection.vendor == "sqlite":
        place = Path(connection.settings_dict["NAME"])
        connection.close()
        place.parent.mkdir(parents=True, exist_ok=True)
        beside = place.with_name(f".{place.name}.restored")
        try:
            shutil.copyfile(dump, beside)
            for rest in ("-wal", "-shm"):
                Path(f"{place}{rest}").unlink(missing_ok=True)
            beside.replace(place)
        finally:
            beside.unlink(missing_ok=True)
        return
    _restore(dump, connection.settings_dict["NAME"])


def _restore(dump: Path, name: str) -> None:
    words = [_program("pg_restore"), "--no-owner", "--no-privileges", "--single-transaction", "--exit-on-error"]
    with tempfile.TemporaryFile() as said:
        done = subprocess.run([*words, f"--dbname={name}", str(dump)], env=_environment(name), stderr=said, check=False)  # noqa: S603
        _ended(done.returncode, said, "pg_restore")


@contextmanager
def fresh(dump: Path) -> Iterator[Contents]:
    """Put a dump into a new database of its own and give what that holds; the database is dropped afterwards.

    Raises
    ------
    RuleBroken
        When the dump is damaged, or the role may not create databases.
    """
    if connection.vendor == "sqlite":
        with closing(sqlite3.connect(f"file:{dump}?mode=ro", uri=True)) as restored:
            try:
                (state,) = restored.execute("PRAGMA integrity_check").fetchone()
            except sqlite3.DatabaseError:
                state = "not a database"
            if state != "ok":
                raise RuleBroken("The database of the backup is damaged.")
            yield contents(restored, "sqlite")
        return
    name = f"tributary_verify_{secrets.token_hex(6)}"
    with _connect(autocommit=True) as server:
        try:
            server.execute(f"CREATE DATABASE {name}")
        except psycopg.errors.InsufficientPrivilege:
            raise RuleBroken("The role of DATABASE_URL may not create the database to verify in.") from None
        try:
            _restore(dump, name)
            with _connect(name) as restored_postgresql:
                yield contents(restored_postgresql, "postgresql")
        finally:
            server.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
