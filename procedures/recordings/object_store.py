"""Where stored signals lie: a folder or a bucket, sealed where a key is given, and with no silent loss."""

from __future__ import annotations

import hashlib
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .signals import RecordingError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    from zarr.abc.store import ByteRequest, Store
    from zarr.core.buffer import Buffer, BufferPrototype

_NONCE_BYTES = 12


def _signal_store(place: str | Path, *, key: bytes | None = None, reading: bool = False) -> Store:
    """Return the objects of one recording's stored signals.

    Parameters
    ----------
    place
        A folder, or the URL of one in an object storage (``s3://bucket/folder``; needs the storage's fsspec library).
    key
        32 bytes: every object is ciphertext under it (AES-256-GCM). None: objects are as they are.
    reading
        Nothing is written, and a stretch whose object is lost is an error instead of a gap.
    """
    from zarr.storage import FsspecStore, LocalStore

    plain: Store
    if "://" in str(place):
        plain = FsspecStore.from_url(str(place), read_only=reading)
    else:
        plain = LocalStore(Path(place), read_only=reading)
    if key is None and not reading:
        return plain
    return _guarded(plain, key, reading)


def remove_signals(place: str | Path) -> None:
    """Remove a stored form with everything in it; nothing happens where there is none.

    Parameters
    ----------
    place
        A folder, or the URL of one in an object storage.
    """
    if "://" in str(place):
        from fsspec.core import url_to_fs

        system, path = url_to_fs(str(place))
        if system.exists(path):
            system.rm(path, recursive=True)
        return
    shutil.rmtree(place, ignore_errors=True)


def seal_form(place: str | Path, new: str | Path, key: bytes) -> None:
    """Write a stored form that lies in the clear again, encrypted, object by object.

    Parameters
    ----------
    place, new
        Folders, or URLs in an object storage: of the form, and of the encrypted one.
    key
        32 bytes, of the encrypted form.

    Raises
    ------
    OSError
        Where an object cannot be read or written; what was written so far lies there.
    """
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    from fsspec.core import url_to_fs

    cipher = AESGCM(key)
    source, root = url_to_fs(str(place))
    target, begin = url_to_fs(str(new))
    found = source.find(root)
    if not found:
        raise FileNotFoundError("There is no stored form.")
    for path in found:
        name = path[len(root) :].lstrip("/")
        into = f"{begin.rstrip('/')}/{name}"
        target.makedirs(into.rpartition("/")[0], exist_ok=True)
        target.pipe_file(into, _sealed(cipher, name, source.cat_file(path)))


def last_change(place: str | Path) -> datetime | None:
    """Return when something of a stored form was last written.

    Parameters
    ----------
    place
        A folder, or the URL of one in an object storage.

    Returns
    -------
    datetime or None
        With its zone; None where that cannot be told.
    """
    if "://" in str(place):
        from fsspec.core import url_to_fs

        system, path = url_to_fs(str(place))
        times = [system.modified(found) for found in system.find(path)]
    else:
        times = [datetime.fromtimestamp(found.stat().st_mtime, UTC) for found in (Path(place), *Path(place).rglob("*"))]
    latest = max(times, default=None)
    return latest if latest is None or latest.tzinfo else latest.replace(tzinfo=UTC)


def _guarded(plain: Store, key: bytes | None, reading: bool) -> Store:
    # The library takes a quarter of a second to load; a page without signals does not wait for it.
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    from zarr.abc.store import OffsetByteRequest, RangeByteRequest, SuffixByteRequest
    from zarr.core.buffer import default_buffer_prototype
    from zarr.storage import WrapperStore

    cipher = AESGCM(key) if key is not None else None

    def cut(data: bytes, asked: ByteRequest | None) -> bytes:
        if isinstance(asked, RangeByteRequest):
            return data[asked.start : asked.end]
        if isinstance(asked, OffsetByteRequest):
            return data[asked.offset :]
        if isinstance(asked, SuffixByteRequest):
            return data[-asked.suffix :]
        return data

    class Guarded(WrapperStore[Any]):
        """The same objects, sealed; while reading, no object of samples may be missing."""

        async def get(
            self, key: str, prototype: BufferPrototype, byte_range: ByteRequest | None = None
        ) -> Buffer | None:
            found = await self._store.get(key, prototype, None if cipher else byte_range)
            if found is None:
                if reading and "/c/" in key:
                    raise RecordingError("A part of the stored signals of this recording is missing.")
                return None
            if cipher is None:
                return found
            sealed = found.to_bytes()
            try:
                data = cipher.decrypt(sealed[:_NONCE_BYTES], sealed[_NONCE_BYTES:], _name(key))
            except InvalidTag:
                raise RecordingError("The stored signals of this recording cannot be read with this key.") from None
            return prototype.buffer.from_bytes(cut(data, byte_range))

        async def set(self, key: str, value: Buffer) -> None:
            await self._store.set(key, self._seal(key, value))

        async def set_if_not_exists(self, key: str, value: Buffer) -> None:
            await self._store.set_if_not_exists(key, self._seal(key, value))

        async def get_partial_values(self, prototype: BufferPrototype, key_ranges: Any) -> list[Buffer | None]:
            return [await self.get(key, prototype, asked) for key, asked in key_ranges]

        def _seal(self, key: str, value: Buffer) -> Buffer:
            if cipher is None:
                return value
            return default_buffer_prototype().buffer.from_bytes(_sealed(cipher, key, value.to_bytes()))

        def with_read_only(self, read_only: bool = False) -> Guarded:
            return Guarded(self._store.with_read_only(read_only))

    return Guarded(plain)


def _sealed(cipher: AESGCM, key: str, value: bytes) -> bytes:
    nonce = os.urandom(_NONCE_BYTES)
    return nonce + cipher.encrypt(nonce, value, _name(key))


def _name(key: str) -> bytes:
    """Bind an object to its place, so that one cannot be put where another was."""
    return hashlib.sha256(key.encode()).digest()
