"""The identity of a file: SHA-256 of its bytes."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any

_PIECE = 1 << 20


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


class FollowedHashes:
    """Hashes of files that still grow, kept up with while their pieces come, so that the end costs no second reading.

    They are kept in the memory of one process. What another process received is read when this one hears of it.

    Parameters
    ----------
    most
        Most files followed at a time; the one not heard of for longest is forgotten, and would be read again.
    """

    def __init__(self, most: int = 64) -> None:
        self._most, self._lock = most, threading.Lock()
        self._known: OrderedDict[Path, tuple[Any, int]] = OrderedDict()

    def follow(self, path: Path, at_most: int | None = None) -> str:
        """Take in what has come since.

        Parameters
        ----------
        path
            The file; what was there before has not been changed.
        at_most
            Take in so many bytes at most, so that no caller waits long.

        Returns
        -------
        str
            The hash of what was taken in, 64 hexadecimal digits.
        """
        with self._lock:
            digest, done = self._known.pop(path, (hashlib.sha256(), 0))
        left = at_most
        with path.open("rb") as file:
            file.seek(done)
            while piece := file.read(_PIECE if left is None else min(left, _PIECE)):
                digest.update(piece)
                done += len(piece)
                left = None if left is None else left - len(piece)
        with self._lock:
            self._known[path] = (digest, done)
            while len(self._known) > self._most:
                self._known.popitem(last=False)
        return str(digest.hexdigest())

    def forget(self, path: Path) -> None:
        """Begin again with a file, or have done with it.

        Parameters
        ----------
        path
            The file.
        """
        with self._lock:
            self._known.pop(path, None)
