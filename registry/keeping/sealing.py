"""Files sealed in the age format (age-encryption.org/v1), to a public key: who makes backups cannot read them.

The program ``age`` opens them as well. A sealed file is complete or not there: it gets its name when all of it is
written and flushed.
"""

from __future__ import annotations

import hashlib
import io
import os
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

import pyrage  # type: ignore[import-untyped] # the library has no types
from django.conf import settings

from registry.errors import RuleBroken

PARTIAL = ".partial"


def recipients() -> list[Any]:
    """Return the public keys that backups are sealed to.

    Raises
    ------
    RuleBroken
        When none is set, or one is no such key.
    """
    if not settings.BACKUP_RECIPIENTS:
        raise RuleBroken(
            "Say whom the backup is for: set TRIBUTARY_BACKUP_RECIPIENTS to the public key that "
            "'manage.py make_backup_key FILE' prints."
        )
    try:
        return [pyrage.x25519.Recipient.from_str(word) for word in settings.BACKUP_RECIPIENTS]
    except pyrage.RecipientError:
        raise RuleBroken("TRIBUTARY_BACKUP_RECIPIENTS: a public key begins with 'age1'.") from None


def make_key(path: Path) -> str:
    """Write a new private key to a new file that only its owner can read, and return the public key."""
    identity = pyrage.x25519.Identity.generate()
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w") as stream:
        stream.write(f"# public key: {identity.to_public()}\n{identity}\n")
    return str(identity.to_public())


def identities(path: Path) -> list[Any]:
    """Read the private keys of a file.

    Raises
    ------
    RuleBroken
        When it cannot be read, or holds none.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        found = [pyrage.x25519.Identity.from_str(line.strip()) for line in lines if line.startswith("AGE-SECRET-KEY-")]
    except OSError as error:
        raise RuleBroken(f"The key file {path} cannot be read: {error.strerror}.") from None
    except (UnicodeDecodeError, pyrage.IdentityError):
        found = []
    if not found:
        raise RuleBroken(f"{path} holds no private key of backups; its line begins with AGE-SECRET-KEY-1.")
    return found


class Sink(io.RawIOBase):
    """Pass bytes on, count and hash them, and remember what went wrong: the library tells only that something did."""

    def __init__(self, target: BinaryIO | None) -> None:
        self.target, self.size, self.error = target, 0, None
        self._digest = hashlib.sha256()

    error: OSError | None

    def writable(self) -> bool:
        return True

    def write(self, piece: Any) -> int:
        """Write a piece whole."""
        try:
            if self.target is not None:
                self.target.write(piece)
        except OSError as error:
            self.error = error
            raise
        self._digest.update(piece)
        self.size += len(piece)
        return len(piece)

    @property
    def sha256(self) -> str:
        """The digest of what was written."""
        return self._digest.hexdigest()


class Source(io.RawIOBase):
    """Read from a stream, hashing what is read."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self._digest, self.size = stream, hashlib.sha256(), 0

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        """Read a piece."""
        piece = self._stream.read(size)
        self._digest.update(piece)
        self.size += len(piece)
        return piece

    @property
    def sha256(self) -> str:
        """The digest of what was read."""
        return self._digest.hexdigest()


def seal(stream: BinaryIO, path: Path, to: list[Any]) -> tuple[Source, Sink]:
    """Seal a stream into a new file; return what was read and what was written.

    Raises
    ------
    OSError
        When the file cannot be written; nothing of it is left.
    """
    partial, source = path.with_name(path.name + PARTIAL), Source(stream)
    try:
        with partial.open("wb") as target:
            sink = Sink(target)
            try:
                pyrage.encrypt_io(source, sink, to)
                target.flush()
                os.fsync(target.fileno())
            except (OSError, pyrage.EncryptError) as error:
                raise sink.error or (error if isinstance(error, OSError) else OSError(str(error))) from None
        partial.rename(path)
    except BaseException:
        with suppress(OSError):
            partial.unlink()
        raise
    return source, sink


def unseal(path: Path, target: BinaryIO | None, keys: list[Any]) -> Sink:
    """Open a sealed file into a stream, or only to hash it; return what came out.

    Raises
    ------
    RuleBroken
        When no key opens it, or it is damaged.
    OSError
        When the stream cannot take it.
    """
    sink = Sink(target)
    try:
        with path.open("rb") as stream:
            pyrage.decrypt_io(stream, sink, keys)
    except pyrage.DecryptError:
        raise RuleBroken(f"The private key given does not open {path.name}, or its head is damaged.") from None
    except OSError as error:
        if sink.error is not None:
            raise sink.error from None
        if isinstance(error, FileNotFoundError):
            raise RuleBroken(f"{path.name} is missing from the backup.") from None
        raise RuleBroken(f"{path.name} is damaged.") from None
    return sink
