"""Files of plain forms, written to the disk as they come; a disk that is full or closed is answered in a sentence."""

from __future__ import annotations

import errno
import hashlib
import shutil
import tempfile
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import TemporaryUploadedFile, UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, StopUpload, TemporaryFileUploadHandler
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from procedures.selectors.places import incoming

_MARK = "tributary.upload_failed"
_FULL = (507, "There is not enough room on the server for this file. Nothing was stored. Tell your administrator.")
_CLOSED = (503, "The server cannot store files at the moment. Nothing was stored. Tell your administrator.")


class ArrivingFile(TemporaryUploadedFile):
    """A file beside the store, hashed while it comes, so that neither hashing nor keeping it takes time at its end."""

    def __init__(self, name: Any, content_type: Any, charset: Any, content_type_extra: Any) -> None:
        file = tempfile.NamedTemporaryFile(suffix=".upload", dir=incoming())  # noqa: SIM115 - closed with the request
        UploadedFile.__init__(self, file, name, content_type, 0, charset, content_type_extra)
        self.digest = hashlib.sha256()

    @property
    def sha256(self) -> str:
        """The hash of what has come."""
        return self.digest.hexdigest()


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
            self.file.digest.update(raw_data)
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
