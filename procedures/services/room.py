"""Room on the disk that recordings are kept on, and what is said when there is none or it may not be written."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings

from procedures.selectors.places import incoming
from registry.errors import RuleBroken


class NoRoom(RuleBroken):
    """The store is full."""

    code = "no_room"
    status = 507


class StoreClosed(RuleBroken):
    """The store may not be written, or does not answer."""

    code = "store_closed"
    status = 503


_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_FULL_SENTENCE = (
    "There is not enough room on the server for this file. Nothing of it was stored. Ask your administrator to make "
    "room, then upload it again."
)
_CLOSED_SENTENCE = (
    "The server cannot write to its store of recordings. Nothing of the file was stored. Tell your administrator, and "
    "upload it again later."
)


def require_room(size_bytes: int) -> None:
    """Refuse a file before it is taken in, unless it, its stored form and a reserve for everybody else have room.

    Raises
    ------
    NoRoom, StoreClosed
    """
    with said():
        folder = incoming()
        free = shutil.disk_usage(folder).free
    if free < 2 * size_bytes + settings.STORE_RESERVE_BYTES:
        raise NoRoom(_FULL_SENTENCE, fields={"file": [_FULL_SENTENCE]})


@contextmanager
def said() -> Iterator[None]:
    """Turn what the system says of a full or closed disk into a sentence; the block leaves nothing half-written.

    Raises
    ------
    NoRoom, StoreClosed
    """
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise NoRoom(_FULL_SENTENCE, fields={"file": [_FULL_SENTENCE]}) from error
        raise StoreClosed(_CLOSED_SENTENCE, fields={"file": [_CLOSED_SENTENCE]}) from error
