"""Files sent in pieces: begun, continued where they stopped, ended. The file's own length says how much is here."""

from __future__ import annotations

import base64
import datetime as dt
import fcntl
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO
from uuid import UUID

from django.conf import settings
from django.utils import timezone

from procedures.models import Session, Upload
from procedures.recordings import RecordingError
from procedures.recordings.hashing import FollowedHashes
from procedures.recordings.sealed_file import SealedWriter, begin_sealed
from procedures.selectors.places import incoming, sent_so_far
from procedures.selectors.sealed import received_part
from procedures.selectors.sessions import sessions_for
from procedures.services.file_names import kept_name
from procedures.services.intake import SentFile
from procedures.services.room import require_room, said
from procedures.services.sealing import writing_key
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User

#: An upload that nobody continued for so long is given up.
KEPT = dt.timedelta(hours=24)
MOST_AT_ONCE = 20
_PIECE = 1 << 20
_ROOM_EVERY = 64 << 20
# What is hashed at most beside one piece; a process that was passed over so far catches up within a few.
_CATCH_UP = 64 << 20
# Of what the pieces hold, and of their bytes as they lie there encrypted.
_hashes, _sealed_hashes = FollowedHashes(), FollowedHashes()


class OtherOffset(RuleBroken):
    """The piece does not begin where the file ends."""

    code, status = "other_offset", 409


class AlreadyReceiving(RuleBroken):
    """Another request is sending the same file."""

    code, status = "locked", 423


class WrongChecksum(RuleBroken):
    """The piece was changed on its way."""

    code, status = "wrong_checksum", 460


class TooLarge(RuleBroken):
    """More than is taken."""

    code, status = "too_large", 413


def begin_upload(*, by: User, session: Session, original_name: str, size_bytes: int) -> Upload:
    """Make room for a file that will be sent in pieces.

    Raises
    ------
    AccessDenied, RuleBroken
        When the role does not write sessions, the file is empty or too large, or there is no room for it.
    """
    require(by, session.centre_id, Right.WRITE_SESSIONS)
    clear_uploads()
    if size_bytes < 1:
        raise RuleBroken("This file is empty. Choose the file of the recording.")
    if size_bytes > settings.RECORDING_MAX_BYTES:
        raise TooLarge(f"The file is larger than {settings.RECORDING_MAX_BYTES // 1024**2} MB.")
    if Upload.objects.filter(uploaded_by=by).count() >= MOST_AT_ONCE:
        raise RuleBroken(f"You have {MOST_AT_ONCE} unfinished uploads. Finish one, or wait a day.")
    require_room(size_bytes)
    upload = Upload(
        session=session,
        uploaded_by=by,
        original_name=kept_name(session, original_name or "recording", "recording"),
        size_bytes=size_bytes,
    )
    writing_key(session.patient_id)
    with said(), sent_so_far(upload).open("xb", buffering=0) as file:
        begin_sealed(file, session.patient_id)
    upload.save(force_insert=True)
    return upload


def upload_for(by: User, key: UUID) -> Upload:
    """Return one's own upload to a session that one still may write.

    Raises
    ------
    ObjectDoesNotExist
        When there is none, it was given up, or it is somebody else's.
    AccessDenied
        When the role no longer allows it.
    """
    upload = Upload.objects.select_related("session__patient").get(pk=key, uploaded_by=by, session__in=sessions_for(by))
    require(by, upload.session.centre_id, Right.WRITE_SESSIONS)
    try:
        received_part(upload)
    except RecordingError:
        raise Upload.DoesNotExist("This upload was given up. Send the file again.") from None
    return upload


def received_bytes(upload: Upload) -> int:
    """Return how much of the file is here."""
    return received_part(upload).stat().st_size


def append(upload: Upload, *, offset: int, source: IO[bytes], checksum: tuple[str, str] | None = None) -> int:
    """Write what follows at an offset and return the new one. A line that breaks keeps what came; no lock is held.

    Raises
    ------
    OtherOffset, AlreadyReceiving, WrongChecksum, TooLarge, NoRoom, StoreClosed
        With WrongChecksum and TooLarge nothing of this piece is kept.
    """
    require_room(upload.size_bytes - offset)
    digest = hashlib.new(checksum[0], usedforsecurity=False) if checksum else None
    with _own(upload) as file:
        here = file.length
        if here != offset:
            raise OtherOffset(f"{here} bytes of the file are here; go on from there.")
        while piece := source.read(_PIECE):
            if here + len(piece) > upload.size_bytes:
                file.take_back()
                _forget(upload)
                raise TooLarge("More was sent than the file was said to hold.")
            with said():
                file.write(piece)
            here += len(piece)
            if digest:
                digest.update(piece)
            if here % _ROOM_EVERY < _PIECE:
                require_room(upload.size_bytes - here)
        if digest and checksum and base64.b64encode(digest.digest()).decode() != checksum[1]:
            file.take_back()
            _forget(upload)
            raise WrongChecksum("This piece was changed on its way. It is sent again.")
        _hashes.follow(received_part(upload), at_most=_CATCH_UP)
        _sealed_hashes.follow(sent_so_far(upload), at_most=_CATCH_UP)
        return here


def sent_file(upload: Upload) -> SentFile:
    """Return a file that is here as a whole.

    Raises
    ------
    RuleBroken
        When a piece is missing.
    """
    here = received_bytes(upload)
    if here != upload.size_bytes:
        sentence = f"Only {here} of {upload.size_bytes} bytes of the file are here. Upload the rest."
        raise RuleBroken(sentence, fields={"file": [sentence]})
    part = received_part(upload)
    return SentFile(part, _hashes.follow(part), _sealed_hashes.follow(sent_so_far(upload)))


def end_upload(upload: Upload) -> None:
    """Forget an upload: it has become a recording, or is not wanted any more."""
    _forget(upload)
    sent_so_far(upload).unlink(missing_ok=True)
    upload.delete()


def clear_uploads() -> int:
    """Give up what was left lying, and what no row knows; return how many files went."""
    stale = timezone.now() - KEPT
    count = 0
    for path in incoming().iterdir():
        try:
            if dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC) < stale:
                path.unlink()
                count += 1
        except FileNotFoundError:
            continue  # another process was faster
    for upload in Upload.objects.filter(created_at__lt=stale):
        if not sent_so_far(upload).exists():
            upload.delete()
    return count


def expires_at(upload: Upload) -> dt.datetime:
    """Return when an upload is given up unless something more of it comes."""
    return dt.datetime.fromtimestamp(sent_so_far(upload).stat().st_mtime, dt.UTC) + KEPT


@contextmanager
def _own(upload: Upload) -> Iterator[SealedWriter]:
    """Hold the file alone: a second request with the same file would mix their bytes."""
    with sent_so_far(upload).open("r+b", buffering=0) as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise AlreadyReceiving("This file is being sent already; wait until that ends.") from None
        with said():
            writer = SealedWriter(file, received_part(upload).key)
        yield writer


def _forget(upload: Upload) -> None:
    for hashes in (_hashes, _sealed_hashes):
        hashes.forget(sent_so_far(upload))
