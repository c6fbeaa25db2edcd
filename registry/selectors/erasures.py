"""The list of erasures outside the database: who was erased, and who of them is there again after a restore."""

from __future__ import annotations

import hmac
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

from django.conf import settings

from registry.errors import RuleBroken
from registry.models import Patient, PatientKey
from registry.trail.canonical import text_of
from registry.trail.erasures import signature


@dataclass(frozen=True)
class Erasure:
    """One erasure: the person's codes, by key, and the files of each store that went with them."""

    centre: UUID
    patients: tuple[UUID, ...]
    reason: str
    files: Mapping[str, list[str]] = field(default_factory=dict)


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


def is_back(one: Erasure) -> bool:
    """Say whether somebody who was erased, or the key of what the trail holds of the person, is there again."""
    return (
        Patient.objects.filter(pk__in=one.patients).exists() or PatientKey.objects.filter(pk__in=one.patients).exists()
    )
