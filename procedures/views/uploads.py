"""Files in pieces by the open protocol tus 1.0.0 (https://tus.io/protocols/resumable-upload)."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from functools import wraps
from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse, UnreadablePostError
from django.urls import reverse
from django.utils.http import http_date
from django.views.decorators.http import require_http_methods

from procedures.models import Upload
from procedures.services.uploads import append, begin_upload, end_upload, expires_at, received_bytes, upload_for
from procedures.views.entry import session_to_write
from registry.errors import RuleBroken
from registry.numbers.outside import NotANumber, whole_number
from registry.views.request import MemberRequest

VERSION = "1.0.0"
EXTENSIONS = "creation,checksum,termination,expiration"
CHECKSUMS = ("sha256", "sha1")
_PIECE = "application/offset+octet-stream"
View = Callable[..., HttpResponse]


def _tus(view: View) -> View:
    """Answer as the protocol asks: its version on every answer, refusals as plain sentences with their status."""

    @wraps(view)
    def wrapped(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.method != "OPTIONS" and request.headers.get("Tus-Resumable") != VERSION:
            response = HttpResponse(f"Only tus {VERSION} is spoken here.", status=412, content_type="text/plain")
            response["Tus-Version"] = VERSION
        else:
            try:
                response = view(request, *args, **kwargs)
            except UnreadablePostError:
                response = HttpResponse("The line broke; go on from what is here.", status=400)
            except RuleBroken as error:
                response = HttpResponse(str(error), status=error.status, content_type="text/plain; charset=utf-8")
        response["Tus-Resumable"] = VERSION
        response["Cache-Control"] = "no-store"
        return response

    return wrapped


@require_http_methods(["POST", "OPTIONS"])
def uploads(request: MemberRequest, session: UUID) -> HttpResponse:
    """Begin an upload to a session, or say what is spoken here."""
    found = session_to_write(request.user, session)

    @_tus
    def answered(request: MemberRequest) -> HttpResponse:
        if request.method == "OPTIONS":
            return _spoken()
        name = _metadata(request).get("filename", "")
        size = _whole(request, "Upload-Length")
        upload = begin_upload(by=request.user, session=found, original_name=name, size_bytes=size)
        response = HttpResponse(status=201)
        response["Location"] = reverse("procedures:upload", args=[upload.pk])
        return _about(response, upload)

    return answered(request)


@require_http_methods(["HEAD", "PATCH", "DELETE", "OPTIONS"])
def upload(request: MemberRequest, upload: UUID) -> HttpResponse:
    """Say how much is here, take what follows, or drop it."""
    found = upload_for(request.user, upload)

    @_tus
    def answered(request: MemberRequest) -> HttpResponse:
        if request.method == "OPTIONS":
            return _spoken()
        if request.method == "DELETE":
            end_upload(found)
            return HttpResponse(status=204)
        if request.method == "HEAD":
            return _about(HttpResponse(status=200), found)
        if request.content_type != _PIECE:
            return HttpResponse(f"A piece is sent as {_PIECE}.", status=415, content_type="text/plain")
        append(found, offset=_whole(request, "Upload-Offset"), source=request, checksum=_checksum(request))  # type: ignore[arg-type] # a request reads like a file
        return _about(HttpResponse(status=204), found)

    return answered(request)


def _about(response: HttpResponse, upload: Upload) -> HttpResponse:
    response["Upload-Offset"] = str(received_bytes(upload))
    response["Upload-Length"] = str(upload.size_bytes)
    response["Upload-Expires"] = http_date(expires_at(upload).timestamp())
    return response


def _spoken() -> HttpResponse:
    response = HttpResponse(status=204)
    response["Tus-Version"] = VERSION
    response["Tus-Extension"] = EXTENSIONS
    response["Tus-Checksum-Algorithm"] = ",".join(CHECKSUMS)
    return response


MOST_BYTES_NAMED = 10**15


class _Malformed(RuleBroken):
    code, status = "malformed", 400


def _whole(request: HttpRequest, name: str) -> int:
    try:
        return whole_number(request.headers.get(name, ""), 0, MOST_BYTES_NAMED)
    except NotANumber:
        raise _Malformed(f"{name} must be a whole number of bytes.") from None


def _metadata(request: HttpRequest) -> dict[str, str]:
    found = {}
    for pair in filter(None, request.headers.get("Upload-Metadata", "")[:4000].split(",")):
        key, _, value = pair.strip().partition(" ")
        try:
            found[key] = base64.b64decode(value, validate=True).decode()
        except (binascii.Error, UnicodeDecodeError):
            raise _Malformed("Upload-Metadata must be pairs of a key and a Base64 value.") from None
    return found


def _checksum(request: HttpRequest) -> tuple[str, str] | None:
    text = request.headers.get("Upload-Checksum", "")
    if not text:
        return None
    name, _, value = text.partition(" ")
    if name not in CHECKSUMS or not value:
        raise _Malformed(f"Upload-Checksum must name one of {', '.join(CHECKSUMS)}.")
    return name, value
