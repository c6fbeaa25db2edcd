"""The list of erasures, kept in a file outside the database, so that they can be applied again after a restore.

It holds keys and names of files made of hashes, nothing that can be read. Each line is signed.
"""

from __future__ import annotations

import datetime as dt
import hmac
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

from django.conf import settings
from django.utils import timezone

from registry.errors import RuleBroken
from registry.trail.canonical import text_of
from registry.trail.erasures import signature


@dataclass(frozen=True)
class Erasure:
    """One erasure: the person's codes, by key, and the files of each store that went with them."""

    centre: UUID
    patients: tuple[UUID, ...]
    reason: str
    files: Mapping[str, list[str]] = field(default_factory=dict)


def note_erasure(one: Erasure) -> None:
    """Add an erasure to the list; it is on the disk when this returns.

    Raises
    ------
    RuleBroken
        When the list cannot be written: without it a restore would bring the patient back.
    """
    held = {
        "at": timezone.now().astimezone(dt.UTC).isoformat(timespec="seconds"),
        "centre": str(one.centre),
        "patients": [str(key) for key in one.patients],
        "reason": one.reason,
        "files": {store: list(names) for store, names in one.files.items()},
    }
    line = json.dumps(held | {"signature": signature(text_of(held))})
    path = Path(settings.ERASURES_FILE)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as stream:
            stream.write(line + "\n")
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        raise RuleBroken(f"The list of erasures {path} cannot be written: {error.strerror}.") from error


def noted_erasures(path: Path | None = None) -> list[Erasure]:
    """Return all erasures on the list; none when there is no list.

    Raises
    ------
    RuleBroken
        When the list cannot be read, or a line was changed.
    """
    path = path or Path(settings.ERASURES_FILE)
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError):
        raise RuleBroken(f"The list of erasures {path} cannot be read.") from None
    return [_read(path, number, line) for number, line in enumerate(lines, start=1) if line.strip()]


def _read(path: Path, number: int, line: str) -> Erasure:
    try:
        held = json.loads(line)
        signed = held.pop("signature")
        if not hmac.compare_digest(signature(text_of(held)), signed):
            raise ValueError
        patients = tuple(UUID(key) for key in held["patients"])
        files = {str(store): [str(name) for name in names] for store, names in held["files"].items()}
        return Erasure(UUID(held["centre"]), patients, str(held["reason"]), files)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise RuleBroken(
            f"Line {number} of the list of erasures {path} was changed, or written with another export key."
        ) from None
