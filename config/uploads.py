"""Files of plain forms, written to the disk as they come; a disk that is full or closed is answered in a sentence."""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import StopUpload, TemporaryFileUploadHandler
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

_MARK = "tributary.upload_failed"
_FULL = (507, "There is not enough room on the server for this file. Nothing was stored. Tell your administrator.")
_CLOSED = (503, "The server cannot store files at the moment. Nothing was stored. Tell your administrator.")


class DiskUploadHandler(TemporaryFileUploadHandler):
    """Stops reading when the disk does not take any more, and leaves a mark for :class:`RefusedUploads`."""

    request: HttpRequest

    def handle_raw_input(self, input_data: Any, META: Any, content_length: int, *rest: Any) -> None:
        """Look whether there is room, before a byte is written."""
        folder = settings.FILE_UPLOAD_TEMP_DIR or tempfile.gettempdir()
        if shutil.disk_usage(folder).free < content_length + settings.STORE_RESERVE_BYTES:
            self.request.META[_MARK] = _FULL

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        """Open the temporary file."""
        if _MARK in self.request.META:
            raise StopUpload(connection_reset=False)
        try:
            super().new_file(*args, **kwargs)
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
