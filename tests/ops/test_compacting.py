"""After an erasure the files of the database itself hold nothing of the patient: in a database of its own."""

import os
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
from django.conf import settings

ROOT = Path(__file__).resolve().parents[2]
MARK = "Quexmarkov-Ztlb-in-the-files"
SCRIPT = f"""
import django
django.setup()
from django.core.management import call_command
from registry.models import Role
from tests import factories as make
call_command("migrate", verbosity=0)
centre = make.make_centre("ours")
lead = make.make_user(Role.CLINICAL_LEAD, centre)
patient = make.make_patient(centre, by=lead, code="QX-1")
make.make_session(patient, by=lead, notes="{MARK}")
make.make_session(make.make_patient(centre, by=lead), by=lead, notes="A bystander's notes")
print(lead.username)
"""


@pytest.fixture
def place(tmp_path):
    """Return the environment of a service of its own, and what reads its database's files."""
    env = {name: value for name, value in os.environ.items() if not name.startswith(("TRIBUTARY_", "DATABASE_URL"))}
    env |= {"TRIBUTARY_VAR": str(tmp_path), "DJANGO_SETTINGS_MODULE": "config.settings"}
    if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3"):
        yield env, lambda: b"".join(path.read_bytes() for path in tmp_path.glob("tributary.sqlite3*"))
        return
    url, name = os.environ["DATABASE_URL"], f"compacting_{os.getpid()}"
    own = urlunsplit(urlsplit(url)._replace(path=f"/{name}"))
    with psycopg.connect(url, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
        try:
            yield env | {"DATABASE_URL": own}, lambda: _files(own)
        finally:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _files(url):
    """Return the bytes of every table of ours, as the server has written them to its disk."""
    with psycopg.connect(url, autocommit=True) as server:
        server.execute("CHECKPOINT")
        tables = "FROM pg_class WHERE relkind = 'r' AND relname LIKE 'procedures%'"
        read = f"SELECT pg_read_binary_file(pg_relation_filepath(oid)) {tables}"
        return b"".join(row[0] for row in server.execute(read))


def run(env, *args):
    done = subprocess.run(
        [sys.executable, *args], cwd=ROOT, env=env, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_the_files_of_the_database_forget_an_erased_patient(place):
    env, files = place
    lead = run(env, "-c", SCRIPT)
    assert MARK.encode() in files()

    said = run(
        env, "manage.py", "erase_patient", "QX-1", "--centre", "ours", "--by", lead, "--reason", "request",
        "--code-again", "QX-1",
    )  # fmt: skip

    assert said.startswith("Erased: ")
    assert MARK.encode() not in files()
    assert b"A bystander's notes" in files()
    assert run(env, "manage.py", "verify_trail", "--processes", "2").endswith("all in order.")
    assert run(env, "manage.py", "apply_erasures") == "0 erasures applied again, 0 rows removed."


def test_without_writing_the_tables_anew_the_bytes_stay(place):
    """What makes the other test worth something."""
    if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3"):
        pytest.skip("Debian's SQLite overwrites deleted rows by itself (SQLITE_SECURE_DELETE); others do not")
    env, files = place
    lead = run(env, "-c", SCRIPT)

    run(
        env, "manage.py", "erase_patient", "QX-1", "--centre", "ours", "--by", lead, "--reason", "request",
        "--code-again", "QX-1", "--leave-space",
    )  # fmt: skip

    assert MARK.encode() in files()
