"""The key under which the files of a patient are encrypted, worked out from the key that an erasure destroys."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from uuid import UUID

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

from registry.selectors.erasures import noted_erasures
from registry.trail.sealing import Closed, secret_of


def file_key(owner: UUID) -> bytes:
    """Return the key of a patient's files, 32 bytes.

    Raises
    ------
    Closed
        When the key was destroyed, or the patient is on the list of erasures: then also when a backup that was restored
        has brought the key back.
    RuleBroken
        When the list of erasures cannot be read, or was changed.
    """
    if owner in _erased():
        raise Closed([owner], missing=True)
    return HKDF(SHA256(), 32, salt=None, info=b"tributary files").derive(secret_of(owner))


def _erased() -> frozenset[UUID]:
    path = Path(settings.ERASURES_FILE)
    try:
        found = path.stat()
    except FileNotFoundError:
        return frozenset()
    return _listed(path, found.st_mtime_ns, found.st_size)


@lru_cache(maxsize=2)
def _listed(path: Path, changed_ns: int, size: int) -> frozenset[UUID]:
    return frozenset(key for one in noted_erasures(path) for key in one.patients)
