"""Making a backup: the database of one moment, and each file that it names once for all backups of a folder."""

from __future__ import annotations

import datetime as dt
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.storage import default_storage
from django.db import connection
from django.utils import timezone

from registry.errors import RuleBroken
from registry.keeping import manifest
from registry.keeping.dumps import taken
from registry.keeping.sealing import recipients, seal

DATABASE, FILES, SEALED = "database.age", "files", ".age"
_SECRETS = ("TRIBUTARY_SECRET_KEY", "TRIBUTARY_IDENTITY_KEYS", "TRIBUTARY_EXPORT_KEY")


def key_files() -> list[Path]:
    """Return the files that the service's keys may be read from."""
    named = [Path(os.environ[f"{name}_FILE"]) for name in _SECRETS if os.environ.get(f"{name}_FILE")]
    return named + [Path(settings.VAR_DIR) / name.removeprefix("TRIBUTARY_").lower() for name in _SECRETS]


def _keep_apart(folder: Path) -> None:
    for key in key_files():
        if key.exists() and key.resolve().is_relative_to(folder):
            raise RuleBroken(
                f"The key {key} lies in {folder}. Choose another folder: the keys must not be kept with the backups."
            )


def backup(folder: Path, *, keep: int | None = None) -> tuple[Path, int, int]:
    """Make a backup in a folder of backups; return its place, how many files were new, and how many it needs.

    The database is read first. A file is stored before the row that names it, so each file of that moment is there.

    Raises
    ------
    RuleBroken
        When the folder holds the keys, nobody is named to seal it to, or a file is missing or changed.
    OSError
        When it cannot be written. Nothing of this backup is left; files that were sealed serve the next one.
    """
    to = recipients()
    folder.mkdir(parents=True, exist_ok=True)
    folder = folder.resolve()
    _keep_apart(folder)
    made_at = timezone.now().astimezone(dt.UTC)
    place = folder / made_at.strftime("%Y-%m-%dT%H%M%S.%fZ")
    unfinished = folder / f".unfinished-{place.name}"
    unfinished.mkdir()
    try:
        with taken() as (found, stream):
            _, sink = seal(stream, unfinished / DATABASE, to)
        files, new = _files(folder / FILES, found.files, to)
        content: dict[str, Any] = {
            "made_at": made_at.isoformat(timespec="seconds"),
            "vendor": connection.vendor,
            "database": {"sha256": sink.sha256, "bytes": str(sink.size)},
            "counts": {name: str(count) for name, count in found.counts.items()},
            "heads": _texts(found.heads),
            "links": _texts(found.links),
            "files": files,
            "keys": manifest.fingerprints(),
        }
        with (unfinished / manifest.NAME).open("x", encoding="utf-8") as out:
            out.write(manifest.signed(content))
            out.flush()
            os.fsync(out.fileno())
        unfinished.rename(place)
        _flush(folder)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    if keep is not None:
        thin_out(folder, keep)
    return place, new, len(files)


def _texts(ends: list[list[Any]]) -> list[list[str]]:
    return [[str(one) for one in end] for end in ends]


def _files(store: Path, names: list[str], to: list[Any]) -> tuple[list[list[str]], int]:
    """Seal the files that are not in the store yet; their content is named by its hash."""
    listed, new = [], 0
    for name in names:
        sha256 = Path(name).name
        sealed = sealed_place(store, sha256)
        if not sealed.exists():
            sealed.parent.mkdir(parents=True, exist_ok=True)
            try:
                stream = default_storage.open(name)
            except FileNotFoundError:
                raise RuleBroken(f"The stored file {sha256[:12]}… is missing; the backup would lack it.") from None
            with stream:
                source, _ = seal(stream, sealed, to)  # type: ignore[arg-type] # a file of the storage reads bytes
            if source.sha256 != sha256:
                sealed.unlink()
                raise RuleBroken(f"The stored file {sha256[:12]}… no longer has its hash: it was damaged or changed.")
            new += 1
        listed.append([name, sha256])
    return listed, new


def sealed_place(store: Path, sha256: str) -> Path:
    """Return where the sealed content of a hash lies."""
    return store / sha256[:2] / f"{sha256}{SEALED}"


def _flush(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def backups(folder: Path) -> list[Path]:
    """Return the backups of a folder, oldest first."""
    if not folder.is_dir():
        return []
    return sorted(one for one in folder.iterdir() if (one / manifest.NAME).is_file() and not one.name.startswith("."))


def thin_out(folder: Path, keep: int) -> None:
    """Remove all backups but the latest, and the files that none of those needs."""
    standing = backups(folder)
    for old in standing[:-keep]:
        shutil.rmtree(old)
    needed = {sha256 for one in standing[-keep:] for _, sha256 in manifest.read(one)["files"]}
    for sealed in (folder / FILES).rglob(f"*{SEALED}"):
        if sealed.name.removesuffix(SEALED) not in needed:
            with suppress(FileNotFoundError):
                sealed.unlink()
