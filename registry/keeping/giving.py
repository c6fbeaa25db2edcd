"""Verifying a backup by restoring it into a fresh database, and restoring it into an empty service."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.storage import FileSystemStorage, default_storage
from django.db import connection

from registry.errors import RuleBroken
from registry.keeping import dumps, manifest
from registry.keeping.contents import Contents
from registry.keeping.sealing import Sink, unseal
from registry.keeping.taking import DATABASE, FILES, backups, sealed_place


@dataclass(frozen=True)
class Found:
    """What was compared and found equal."""

    place: Path
    rows: int
    links: int
    files: int


def chosen(folder: Path, name: str = "") -> Path:
    """Return a backup of a folder, the latest unless one is named.

    Raises
    ------
    RuleBroken
        When there is none.
    """
    standing = [one for one in backups(folder) if not name or one.name == name]
    if not standing:
        raise RuleBroken(f"There is no backup{f' {name}' if name else ''} in {folder}.")
    return standing[-1]


def verify(place: Path, keys: list[Any]) -> Found:
    """Restore a backup into a fresh database and compare rows, heads and links of the trail, and hashes of all files.

    Raises
    ------
    RuleBroken
        When anything differs from what the manifest says; the sentence names it.
    """
    content = manifest.read(place)
    with _opened(place, content, keys) as dump, dumps.fresh(dump) as found:
        _compare(content, found)
    for _, sha256 in content["files"]:
        if unseal(sealed_place(place.parent / FILES, sha256), None, keys).sha256 != sha256:
            raise RuleBroken(f"The file {sha256[:12]}… of the backup does not have its hash.")
    rows, links = sum(found.counts.values()), sum(int(end[1]) for end in found.links)
    return Found(place, rows, links, len(content["files"]))


@contextmanager
def _opened(place: Path, content: dict[str, Any], keys: list[Any]) -> Iterator[Path]:
    """Give the opened dump, in a folder that only this process's user can read."""
    if content["vendor"] != connection.vendor:
        raise RuleBroken(f"This is a backup of {content['vendor']}; the service's database is {connection.vendor}.")
    with (place / DATABASE).open("rb") as sealed:
        if hashlib.file_digest(sealed, "sha256").hexdigest() != content["database"]["sha256"]:
            raise RuleBroken(f"{DATABASE} is not the one the manifest was signed with.")
    with tempfile.TemporaryDirectory(prefix="tributary-restore-") as folder:
        dump = Path(folder) / "dump"
        with dump.open("wb") as target:
            unseal(place / DATABASE, target, keys)
        yield dump


def _compare(content: dict[str, Any], found: Contents) -> None:
    for name in sorted(content["counts"].keys() | found.counts.keys()):
        wanted, there = content["counts"].get(name, "no table"), str(found.counts.get(name, "no table"))
        if wanted != there:
            raise RuleBroken(f"Restored, {name} holds {there} rows; the backup says {wanted}.")
    for name, ends in (("heads", found.heads), ("links", found.links)):
        if [[str(one) for one in end] for end in ends] != content[name]:
            raise RuleBroken(f"Restored, the {name} of the change trail are not those of the backup.")
    if [end for end in found.heads if end[1]] != found.links:
        raise RuleBroken("The heads of the change trail are not its last links: one was cut off or added.")
    if found.files != [name for name, _ in content["files"]]:
        raise RuleBroken("Restored, the rows name other files than the backup holds.")


def restore(place: Path, keys: list[Any]) -> Found:
    """Restore a backup into a service that holds nothing yet: first the files, then the database in one piece.

    Raises
    ------
    RuleBroken
        When the database is not empty, the keys of the identifiers are others, or the backup is damaged.
    """
    if not dumps.is_empty():
        raise RuleBroken("The database is not empty. Name a new one in DATABASE_URL; nothing was changed.")
    content = manifest.read(place)
    if set(content["keys"]) - set(manifest.fingerprints()):
        raise RuleBroken(
            "TRIBUTARY_IDENTITY_KEYS are not the keys of this backup; the identifiers could not be read. "
            "Put the service's keys in place first."
        )
    with _opened(place, content, keys) as dump:
        for name, sha256 in content["files"]:
            _put_back(sealed_place(place.parent / FILES, sha256), name, sha256, keys)
        with dumps.fresh(dump) as found:
            _compare(content, found)
        dumps.put_in(dump)
    rows, links = sum(found.counts.values()), sum(int(end[1]) for end in found.links)
    return Found(place, rows, links, len(content["files"]))


def _put_back(sealed: Path, name: str, sha256: str, keys: list[Any]) -> None:
    if not isinstance(default_storage, FileSystemStorage) and not hasattr(default_storage, "path"):
        raise RuleBroken("Recordings are restored into a folder; set TRIBUTARY_RECORDINGS to one.")
    target = Path(settings.MEDIA_ROOT) / name
    if not target.resolve().is_relative_to(Path(settings.MEDIA_ROOT).resolve()):
        raise RuleBroken(f"The backup names a file outside the folder of recordings: {name}.")
    if target.exists():
        with target.open("rb") as stream:
            if hashlib.file_digest(stream, "sha256").hexdigest() == sha256:
                return
        raise RuleBroken(f"{target} is there already and has other content. Name an empty TRIBUTARY_RECORDINGS.")
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f"{target.name}.partial")
    try:
        with partial.open("wb") as out:
            sink: Sink = unseal(sealed, out, keys)
        if sink.sha256 != sha256:
            raise RuleBroken(f"The file {sha256[:12]}… of the backup does not have its hash.")
        partial.rename(target)
    except BaseException:
        with suppress(OSError):
            partial.unlink()
        raise
