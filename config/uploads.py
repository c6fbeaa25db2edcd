"""Files of plain forms, encrypted on the disk as they come; a disk that is full or closed is answered in a sentence."""

from __future__ import annotations

import errno
import io
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.core.files.uploadedfile import TemporaryUploadedFile, UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, StopUpload, TemporaryFileUploadHandler
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from procedures.recordings.sealed_file import SealedWriter, begin_sealed, sealed_path
from procedures.selectors.places import incoming

_MARK = "tributary.upload_failed"
_FULL = (507, "There is not enough room on the server for this file. Nothing was stored. Tell your administrator.")
_CLOSED = (503, "The server cannot store files at the moment. Nothing was stored. Tell your administrator.")


class ArrivingFile(TemporaryUploadedFile):
    """A file beside the store, encrypted under a key that only this process knows: it has no patient yet.

    When the process is lost, nobody can read what is left of it.
    """

    def __init__(self, name: Any, content_type: Any, charset: Any, content_type_extra: Any) -> None:
        lying = tempfile.NamedTemporaryFile(suffix=".upload", dir=incoming(), buffering=0)  # noqa: SIM115
        held: Any = _Held(lying)
        UploadedFile.__init__(self, held, name, content_type, 0, charset, content_type_extra)


class _Held(io.RawIOBase):
    """Written once from start to end, then read from any place."""

    def __init__(self, lying: Any) -> None:
        self._lying, self._key, self.name = lying, os.urandom(32), lying.name
        begin_sealed(lying, UUID(int=0))
        self._writer: SealedWriter | None = SealedWriter(lying.file, self._key)
        self._reader: Any = None

    def write(self, piece: Any, /) -> int:
        """Encrypt and write."""
        if self._writer is None:
            raise io.UnsupportedOperation("The file has been read; nothing follows.")
        self._writer.write(piece)
        return len(piece)

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Go to a place; from then on it is read."""
        return int(self._read().seek(offset, whence))

    def tell(self) -> int:
        """Return the place."""
        return int(self._read().tell())

    def readable(self) -> bool:
        """Say that it can be read."""
        return True

    def seekable(self) -> bool:
        """Say that any place can be gone to."""
        return True

    def readinto(self, buffer: Any, /) -> int:
        """Fill a buffer."""
        return int(self._read().readinto(buffer))

    def close(self) -> None:
        """Close the file, which removes it."""
        if self._reader is not None:
            self._reader.close()
        self._lying.close()
        super().close()

    def _read(self) -> Any:
        if self._reader is None:
            self._writer = None
            self._reader = sealed_path(Path(self.name), self._key).open("rb")
        return self._reader


class DiskUploadHandler(TemporaryFileUploadHandler):
    """Stops reading when the disk does not take any more, and leaves a mark for :class:`RefusedUploads`."""

    request: HttpRequest
    file: ArrivingFile

    def handle_raw_input(self, input_data: Any, META: Any, content_length: int, *rest: Any) -> None:
        """Look whether there is room, before a byte is written."""
        try:
            free = shutil.disk_usage(incoming()).free
        except OSError:
            self.request.META[_MARK] = _CLOSED
        else:
            if free < content_length + settings.STORE_RESERVE_BYTES:
                self.request.META[_MARK] = _FULL

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        """Open the temporary file."""
        if _MARK in self.request.META:
            raise StopUpload(connection_reset=False)
        FileUploadHandler.new_file(self, *args, **kwargs)
        try:
            self.file = ArrivingFile(self.file_name, self.content_type, self.charset, self.content_type_extra)
        except OSError as error:
            self._stop(error)

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes | None:
        """Write what came."""
        try:
            return super().receive_data_chunk(raw_data, start)
        except OSError as error:
            return self._stop(error)

    def file_complete(self, file_size: int) -> UploadedFile | None:
        """Hand on the file."""
        try:
            return super().file_complete(file_size)
        except OSError as error:
            return self._stop(error)

    def _stop(self, error: OSError) -> Any:
        self.request.META[_MARK] = _FULL if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG) else _CLOSED
        raise StopUpload(connection_reset=False) from error


class RefusedUploads:
    """Middleware: a form whose file could not be kept goes no further."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Pass on."""
        return self.get_response(request)

    def process_view(self, request: HttpRequest, *_: Any) -> HttpResponse | None:
        """Read the form, and answer instead of the view where its file could not be kept."""
        if request.method == "POST" and request.content_type == "multipart/form-data":
            request.POST  # noqa: B018 - reading it is what is wanted
        if not (failed := request.META.get(_MARK)):
            return None
        status, sentence = failed
        return render(request, "registry/refused.html", {"reason": sentence}, status=status)
