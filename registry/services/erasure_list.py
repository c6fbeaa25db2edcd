"""The list of erasures, kept in a file outside the database, so that they can be applied again after a restore.

It holds keys and names of files made of hashes, nothing that can be read. Each line is signed.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path

from django.conf import settings
from django.utils import timezone

from registry.errors import RuleBroken
from registry.selectors.erasures import Erasure
from registry.trail.canonical import text_of
from registry.trail.erasures import signature


def note_erasure(one: Erasure) -> None:
    """Add an erasure to the list; it is on the disk when this returns.

    Raises
    ------
    RuleBroken
        When the list cannot be written: without it a restore would bring the patient back.
    """
    held = {
        "at": timezone.now().astimezone(dt.UTC).isoformat(timespec="seconds"),
        "centre": str(one.centre),
        "patients": [str(key) for key in one.patients],
        "reason": one.reason,
        "files": {store: list(names) for store, names in one.files.items()},
    }
    line = json.dumps(held | {"signature": signature(text_of(held))})
    path = Path(settings.ERASURES_FILE)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as stream:
            stream.write(line + "\n")
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        raise RuleBroken(f"The list of erasures {path} cannot be written: {error.strerror}.") from error
