"""Backups: what is put back is what was there, nothing lies open, and every fault is one sentence."""

from __future__ import annotations

import errno
import json
import re
import secrets
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from io import StringIO
from pathlib import Path
from typing import Any

import psycopg
import pyrage
import pytest
from cryptography.fernet import Fernet
from django.conf import settings as service
from django.core.management import CommandError, call_command
from django.db import connection

from procedures.models import Recording
from procedures.selectors.places import original_name
from procedures.selectors.sealed import original_of
from procedures.services.sealing import sealed_copy
from procedures.services.store import keep
from registry.jobs import signs
from registry.keeping import dumps, giving, sealing
from registry.keeping.contents import Contents, contents
from registry.models import Centre, Sign
from tests import factories as make

pytestmark = pytest.mark.django_db(transaction=True)

NAME, NUMBER, SAMPLES = "Backupmarker", "BACKUP-0815", b"samples that nobody may read in a backup "


@pytest.fixture(autouse=True)
def own_key(settings: Any, tmp_path: Path) -> Path:
    """Seal to a key of the test's own; keep recordings in its folder."""
    path = tmp_path / "backup.key"
    out = StringIO()
    call_command("make_backup_key", str(path), stdout=out)
    settings.BACKUP_RECIPIENTS = [out.getvalue().strip().partition("=")[2]]
    settings.MEDIA_ROOT = tmp_path / "recordings"
    return path


def store(centre: Centre, content: bytes) -> Recording:
    """Store a file as an upload does: first encrypted under the hash of its bytes, then the row."""
    session = make.make_session(make.make_patient(centre, family_name=NAME, local_identifier=secrets.token_hex(6)))
    with sealed_copy([content], session.patient_id) as (copy, sha256, _, kept_as):
        keep(copy, kept_as)
    name = original_name(kept_as)
    return Recording.objects.create(
        session=session, sha256=sha256, file=name, original_name="one.csv", format="CSV", size_bytes=len(content),
        duration_s=60, started_at=make.START, uploaded_by=make.writer_of(centre),
    )  # fmt: skip


def run(command: str, *words: object) -> str:
    out = StringIO()
    call_command(command, *map(str, words), stdout=out)
    return out.getvalue()


def refused(command: str, *words: object) -> str:
    """Return the sentence that a command ends with."""
    with pytest.raises(CommandError) as found:
        run(command, *words)
    assert found.value.returncode == 2
    return str(found.value)


@pytest.fixture
def empty(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[str]:
    """Let the service's database be an empty one, for the commands; return its name."""
    name = f"test_restored_{secrets.token_hex(4)}"
    if connection.vendor == "sqlite":
        name = str(tmp_path / "restored.sqlite3")
        yield name
        return
    with psycopg.connect(service.DATABASE_URL, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
        yield name
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def held(name: str) -> Contents:
    """Return what a database holds."""
    if connection.vendor == "sqlite":
        with closing(sqlite3.connect(name)) as own:
            return contents(own, "sqlite")
    with psycopg.connect(re.sub(r"/[^/]*$", f"/{name}", service.DATABASE_URL)) as own_postgresql:
        return contents(own_postgresql, "postgresql")


def test_what_is_restored_is_what_was_there_and_nothing_lies_open(
    tmp_path: Path, own_key: Path, empty: str, monkeypatch: pytest.MonkeyPatch, settings: Any
) -> None:
    folder, centre = tmp_path / "backups", make.make_centre()
    first = store(centre, SAMPLES * 5000)
    make.make_patient(centre, family_name=NAME, local_identifier=NUMBER)
    assert "1 files, 1 of them new" in run("backup", folder)
    store(centre, SAMPLES * 2)
    assert "2 files, 1 of them new" in run("backup", folder)
    there = held(connection.settings_dict["NAME"])

    assert f"{sum(there.counts.values())} rows" in run("verify_backup", folder, "--key", own_key)
    assert Sign.objects.filter(name=signs.VERIFIED).exists()
    for path in folder.rglob("*"):
        if path.is_file():
            assert not re.search(b"Backupmarker|BACKUP-0815|samples that|Fernet", path.read_bytes()), path
            assert not any(key.encode() in path.read_bytes() for key in service.IDENTITY_KEYS)

    settings.MEDIA_ROOT = tmp_path / "restored-recordings"
    monkeypatch.setitem(connection.settings_dict, "NAME", empty)
    assert "2 files" in run("restore", folder, "--key", own_key)
    restored = held(empty)
    # Noting that the backup is verified was the one row written since.
    assert {name for name, count in restored.counts.items() if count != there.counts[name]} <= {"registry_sign"}
    assert (restored.heads, restored.links, restored.files) == (there.heads, there.links, there.files)
    back = tmp_path / "restored-recordings" / first.file.name
    assert original_of(first).read_bytes() == SAMPLES * 5000
    connection.close()  # of the restored database; what follows goes back to the usual one
    assert b"samples that" not in back.read_bytes(), "it comes back as it lay, encrypted"
    assert "The database is not empty" in refused("restore", folder, "--key", own_key)


def test_one_moment_is_kept_while_people_write(tmp_path: Path, own_key: Path) -> None:
    centre, stop = make.make_centre(), threading.Event()
    store(centre, SAMPLES)
    errors: list[BaseException] = []

    def write() -> None:
        try:
            while not stop.is_set():
                make.make_patient(centre)
        except BaseException as error:
            errors.append(error)
        finally:
            connection.close()

    writers = [threading.Thread(target=write) for _ in range(2)]
    for writer in writers:
        writer.start()
    try:
        run("backup", tmp_path / "backups")
    finally:
        stop.set()
        for writer in writers:
            writer.join()
    assert errors == []
    # Heads that are not the last links, or rows that differ from the count of the same moment, would be refused.
    assert "are as they were" in run("verify_backup", tmp_path / "backups", "--key", own_key)


def damage(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[-3] ^= 1
    path.write_bytes(content)


def test_whatever_is_wrong_with_a_backup_is_said(tmp_path: Path, own_key: Path, settings: Any) -> None:
    folder = tmp_path / "backups"
    store(make.make_centre(), SAMPLES)
    run("backup", folder)
    (place,) = giving.backups(folder)
    key = settings.EXPORT_KEY

    def sentence(change: Any) -> str:
        other = tmp_path / "changed"
        shutil.rmtree(other, ignore_errors=True)
        shutil.copytree(folder, other)
        change(other / place.name)
        return refused("verify_backup", other, "--key", own_key)

    def fewer(one: Path) -> None:
        manifest = json.loads((one / "manifest.json").read_text())
        manifest["counts"]["registry_patient"] = "7"
        (one / "manifest.json").write_text(json.dumps(manifest))

    assert "not the one the manifest was signed with" in sentence(lambda one: damage(one / "database.age"))
    assert "is damaged" in sentence(lambda one: damage(next(one.parent.glob("files/*/*.age"))))
    assert "is missing" in sentence(lambda one: next(one.parent.glob("files/*/*.age")).unlink())
    assert "signature" in sentence(fewer)
    assert "There is no backup" in sentence(shutil.rmtree)
    settings.EXPORT_KEY = "another"
    assert "TRIBUTARY_EXPORT_KEY is another one" in sentence(lambda one: None)
    settings.EXPORT_KEY = key
    stranger = tmp_path / "stranger.key"
    sealing.make_key(stranger)
    assert "does not open" in refused("verify_backup", folder, "--key", stranger)
    assert "holds no private key" in refused("verify_backup", folder, "--key", place / "manifest.json")
    assert not Sign.objects.filter(name=signs.VERIFIED).exists()


def test_a_manifest_that_does_not_fit_its_database_is_found_though_signed(tmp_path: Path, own_key: Path) -> None:
    make.make_patient()
    run("backup", tmp_path / "backups")
    place = giving.chosen(tmp_path / "backups")
    content = giving.manifest.read(place)
    for name, value, said in (
        ("counts", content["counts"] | {"registry_patient": "2"}, "registry_patient holds 1 rows; the backup says 2"),
        ("heads", [], "heads of the change trail"),
        ("files", [["ab/cd", "cd"]], "other files"),
    ):
        (place / "manifest.json").write_text(giving.manifest.signed(content | {name: value}))
        assert said in refused("verify_backup", tmp_path / "backups", "--key", own_key)


def test_a_full_disk_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "backups"
    store(make.make_centre(), SAMPLES)
    write, written = sealing.Sink.write, []

    def full(self: sealing.Sink, piece: Any) -> int:
        written.append(len(piece))
        if len(written) > 2:
            self.error = OSError(errno.ENOSPC, "No space left on device")
            raise self.error
        return write(self, piece)

    monkeypatch.setattr(sealing.Sink, "write", full)
    said = refused("backup", folder)
    assert "could not be written" in said
    assert "No space left on device" in said
    assert [path for path in folder.rglob("*") if path.is_file()] == []
    assert giving.backups(folder) == []


def test_keys_and_backups_never_share_a_folder(
    tmp_path: Path, own_key: Path, settings: Any, empty: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.make_patient()
    (tmp_path / "var").mkdir()
    settings.VAR_DIR = tmp_path / "var"
    (tmp_path / "var" / "identity_keys").write_text("a key")
    assert "Choose another folder" in refused("backup", tmp_path / "var")
    assert "Choose another folder" in refused("backup", tmp_path)
    run("backup", tmp_path / "var" / "backups")
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode()]
    monkeypatch.setitem(connection.settings_dict, "NAME", empty)
    assert "are not the keys of this backup" in refused("restore", tmp_path / "var" / "backups", "--key", own_key)
    assert dumps.is_empty()


def test_only_the_latest_are_kept_when_asked_with_the_files_they_need(tmp_path: Path, own_key: Path) -> None:
    folder = tmp_path / "backups"
    gone, stays = store(make.make_centre(), b"one"), store(make.make_centre(), b"two")
    run("backup", folder)
    gone.delete()
    run("backup", folder, "--keep", 1)
    assert len(giving.backups(folder)) == 1
    assert [path.stem for path in folder.glob("files/*/*")] == [Path(stays.file.name).name]
    assert "1 files are as they were" in run("verify_backup", folder, "--key", own_key)


def test_without_a_recipient_or_with_an_odd_one_it_is_said_what_to_do(tmp_path: Path, settings: Any) -> None:
    settings.BACKUP_RECIPIENTS = []
    assert "TRIBUTARY_BACKUP_RECIPIENTS" in refused("backup", tmp_path / "backups")
    settings.BACKUP_RECIPIENTS = ["someone"]
    assert "begins with 'age1'" in refused("backup", tmp_path / "backups")
    assert "--keep must be at least 1" in refused("backup", tmp_path / "backups", "--keep", 0)


def test_the_age_format_is_opened_by_its_own_library(tmp_path: Path, own_key: Path) -> None:
    make.make_patient()
    run("backup", tmp_path / "backups")
    identity = next(line for line in own_key.read_text().splitlines() if line.startswith("AGE-SECRET-KEY-1"))
    sealed = (giving.chosen(tmp_path / "backups") / "database.age").read_bytes()
    assert sealed.startswith(b"age-encryption.org/v1\n")
    dump = pyrage.decrypt(sealed, [pyrage.x25519.Identity.from_str(identity)])
    assert dump.startswith(b"SQLite format 3" if connection.vendor == "sqlite" else b"PGDMP")
    assert own_key.stat().st_mode & 0o777 == 0o600
