"""Files encrypted at rest, segment by segment: readable from any place, and growing at their end.

A head names whose key opens the file and gives it a number; then come segments of at most 64 KiB, each encrypted with
AES-256-GCM under a key of this file alone and bound to its position. A segment that a lost process left half-written
is not there.
"""

from __future__ import annotations

import bisect
import hashlib
import io
import os
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path, PosixPath
from typing import IO, Any
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from .signals import RecordingError

MAGIC = b"tributary sealed file 1\n"
SEGMENT_BYTES = 65_536
_HEAD_BYTES = len(MAGIC) + 32
_LENGTH_BYTES, _NONCE_BYTES, _TAG_BYTES = 4, 12, 16
_AROUND = _LENGTH_BYTES + _NONCE_BYTES + _TAG_BYTES
_DAMAGED = "The stored file is damaged, or cannot be read with the keys of this service."


def owner_of(path: Path) -> UUID | None:
    """Tell whose key opens a file.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    UUID or None
        None where the file is not encrypted.
    """
    with open(os.fspath(path), "rb") as file:  # noqa: PTH123 - the bytes as they lie, also of a sealed path
        head = file.read(_HEAD_BYTES)
    return UUID(bytes=head[len(MAGIC) : len(MAGIC) + 16]) if _is_head(head) else None


def _is_head(head: bytes) -> bool:
    return len(head) == _HEAD_BYTES and head.startswith(MAGIC)


@lru_cache(maxsize=64)
def _cipher(key: bytes, head: bytes) -> AESGCM:
    return AESGCM(HKDF(SHA256(), 32, salt=head[-16:], info=head[:-16]).derive(key))


class _Segments:
    """Where the whole segments of an open file lie, on the disk and in what they hold."""

    def __init__(self, file: IO[bytes], key: bytes) -> None:
        file.seek(0)
        head = file.read(_HEAD_BYTES)
        if not _is_head(head):
            raise RecordingError(_DAMAGED)
        self.cipher = _cipher(key, head)
        self.places, self.starts, self.length = list[int](), list[int](), 0
        size = file.seek(0, 2)
        at = _HEAD_BYTES
        while at + _AROUND < size:
            file.seek(at)
            length = int.from_bytes(file.read(_LENGTH_BYTES), "big")
            if not 0 < length <= SEGMENT_BYTES or at + _AROUND + length > size:
                break
            self.places.append(at)
            self.starts.append(self.length)
            self.length += length
            at += _AROUND + length
        self.end = at

    def sealed(self, piece: bytes) -> bytes:
        """Encrypt what follows, and count it as written."""
        nonce, index = os.urandom(_NONCE_BYTES), len(self.places)
        self.places.append(self.end)
        self.starts.append(self.length)
        self.length += len(piece)
        self.end += _AROUND + len(piece)
        return len(piece).to_bytes(_LENGTH_BYTES, "big") + nonce + self.cipher.encrypt(nonce, piece, _at(index))

    def opened(self, file: IO[bytes], index: int) -> bytes:
        """Decrypt a segment."""
        file.seek(self.places[index])
        length = int.from_bytes(file.read(_LENGTH_BYTES), "big")
        sealed = file.read(_NONCE_BYTES + length + _TAG_BYTES)
        try:
            return self.cipher.decrypt(sealed[:_NONCE_BYTES], sealed[_NONCE_BYTES:], _at(index))
        except (InvalidTag, ValueError):
            raise RecordingError(_DAMAGED) from None


def _at(index: int) -> bytes:
    return index.to_bytes(8, "big")


class SealedReader(io.RawIOBase):
    """What an encrypted file holds, readable from any place; one segment is held at a time.

    Parameters
    ----------
    file
        Open for reading, unbuffered; closed with this.
    key
        32 bytes of whose file it is.

    Raises
    ------
    RecordingError
        Where the file is not encrypted; while reading also where it was changed or the key is another one.
    """

    def __init__(self, file: IO[bytes], key: bytes) -> None:
        self._file, self.name = file, str(getattr(file, "name", ""))
        try:
            self._segments = _Segments(file, key)
        except BaseException:
            file.close()
            raise
        self._at, self._held, self._piece = 0, -1, b""

    def readable(self) -> bool:
        """Say that it can be read."""
        return True

    def seekable(self) -> bool:
        """Say that any place can be gone to."""
        return True

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Go to a place."""
        self._at = max(0, offset + (0, self._at, self._segments.length)[whence])
        return self._at

    def tell(self) -> int:
        """Return the place."""
        return self._at

    def readinto(self, buffer: Any, /) -> int:
        """Fill a buffer as far as the file goes."""
        view, done = memoryview(buffer).cast("B"), 0
        while done < len(view) and self._at < self._segments.length:
            index = bisect.bisect_right(self._segments.starts, self._at) - 1
            if index != self._held:
                self._piece, self._held = self._segments.opened(self._file, index), index
            begin = self._at - self._segments.starts[index]
            part = self._piece[begin : begin + len(view) - done]
            if not part:
                raise RecordingError(_DAMAGED)
            view[done : done + len(part)] = part
            done += len(part)
            self._at += len(part)
        return done

    def close(self) -> None:
        """Close the file beneath."""
        self._file.close()
        super().close()


class SealedWriter:
    """Writes at the end of an encrypted file that is open for reading and writing.

    Parameters
    ----------
    file
        Unbuffered. What was left half-written at its end is cut off.
    key
        32 bytes of whose file it is.
    """

    def __init__(self, file: IO[bytes], key: bytes) -> None:
        self._file, self._segments = file, _Segments(file, key)
        self._first = (len(self._segments.places), self._segments.length, self._segments.end)
        file.truncate(self._segments.end)
        file.seek(self._segments.end)

    @property
    def length(self) -> int:
        """How much the file holds."""
        return self._segments.length

    def write(self, piece: bytes) -> None:
        """Encrypt and write."""
        for begin in range(0, len(piece), SEGMENT_BYTES):
            self._file.write(self._segments.sealed(piece[begin : begin + SEGMENT_BYTES]))

    def take_back(self) -> None:
        """Cut off all that this writer wrote."""
        count, self._segments.length, self._segments.end = self._first
        del self._segments.places[count:], self._segments.starts[count:]
        self._file.truncate(self._segments.end)
        self._file.seek(self._segments.end)


class SealedPath(PosixPath):
    """The path of an encrypted file that is opened and measured by what it holds.

    Made by :func:`sealed_path`.
    """

    key: bytes

    def open(self, mode: str = "r", buffering: int = -1, *_: Any, **__: Any) -> Any:
        """Open for reading bytes."""
        if mode != "rb":
            raise ValueError("An encrypted file is opened for reading bytes only.")
        raw = SealedReader(open(os.fspath(self), "rb", buffering=0), self.key)  # noqa: SIM115, PTH123
        return raw if buffering == 0 else io.BufferedReader(raw, SEGMENT_BYTES)

    def read_bytes(self) -> bytes:
        """Return all that it holds."""
        with self.open("rb") as file:
            held: bytes = file.read()
            return held

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        """Return what the system says of the file, with the length of what it holds."""
        found = super().stat(follow_symlinks=follow_symlinks)
        with self.open("rb", buffering=0) as file:
            length = file.seek(0, 2)
        return os.stat_result((*found[:6], length, *found[7:]))


def sealed_path(path: Path, key: bytes) -> SealedPath:
    """Return the path of an encrypted file, to be read like any other.

    Parameters
    ----------
    path
        The file.
    key
        32 bytes of whose file it is.

    Returns
    -------
    SealedPath
        Opening it gives what the file holds.
    """
    sealed = SealedPath(path)
    sealed.key = key
    return sealed


def begin_sealed(file: IO[bytes], owner: UUID) -> None:
    """Write the head of a new encrypted file.

    Parameters
    ----------
    file
        Open for writing, empty, unbuffered.
    owner
        Whose key opens it; stands in the head as it is.
    """
    file.write(MAGIC + owner.bytes + os.urandom(16))


def seal_into(file: IO[bytes], chunks: Iterable[bytes], owner: UUID, key: bytes) -> tuple[str, int]:
    """Write a new encrypted file.

    Parameters
    ----------
    file
        Open for reading and writing, empty, unbuffered.
    chunks
        What it will hold.
    owner, key
        Whose key opens it, and the key, 32 bytes.

    Returns
    -------
    tuple of str and int
        SHA-256 of what it holds, hexadecimal, and its length in bytes.
    """
    begin_sealed(file, owner)
    writer, digest = SealedWriter(file, key), hashlib.sha256()
    for chunk in chunks:
        digest.update(chunk)
        writer.write(chunk)
    return digest.hexdigest(), writer.length
