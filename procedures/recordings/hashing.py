"""The identity of a file: SHA-256 of its bytes."""

from __future__ import annotations

import hashlib
from pathlib import Path


def sha256_of(path: Path) -> str:
    """SHA-256 of the file's bytes, hexadecimal, read in blocks.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
