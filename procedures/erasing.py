"""The files of this room: original recordings, their stored forms, and uploads that are under way."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import IO
from uuid import UUID

from django.core.files.storage import default_storage

from procedures.models import Recording, StoredSignals, Upload
from procedures.recordings import RecordingError
from procedures.recordings.object_store import remove_signals
from procedures.selectors.places import incoming, place_of
from procedures.selectors.sealed import original_of
from procedures.services.spare_files import clear_spare_files
from registry.erasing import FileStore, register

# A file that was just taken in has no row yet.
_YOUNG = dt.timedelta(hours=1)


def _originals(patients: Collection[UUID]) -> Iterable[str]:
    return Recording.objects.filter(session__patient__in=patients).values_list("file", flat=True)


def _remove_original(name: str) -> None:
    # The same content may have been recorded for somebody else.
    if not Recording.objects.filter(file=name).exists():
        default_storage.delete(name)


def _opened_original(name: str) -> IO[bytes]:
    recording = Recording.objects.filter(file=name).first()
    if recording is None:
        raise FileNotFoundError("the recording is gone")
    try:
        opened: IO[bytes] = original_of(recording).open("rb")
    except RecordingError as error:
        raise OSError(str(error)) from error
    return opened


def _forms(patients: Collection[UUID]) -> Iterable[str]:
    forms = StoredSignals.objects.filter(recording__session__patient__in=patients).exclude(place="")
    return forms.values_list("place", flat=True)


def _remove_form(name: str) -> None:
    if not StoredSignals.objects.filter(place=name).exists():
        remove_signals(place_of(name))


def _uploads(patients: Collection[UUID]) -> Iterable[str]:
    keys = Upload.objects.filter(session__patient__in=patients).values_list("pk", flat=True)
    return [f"{key.hex}.part" for key in keys]


def _remove_upload(name: str) -> None:
    (incoming() / Path(name).name).unlink(missing_ok=True)


def _sweep_uploads() -> int:
    known = {f"{key.hex}.part" for key in Upload.objects.values_list("pk", flat=True)}
    count, now = 0, time.time()
    for path in sorted(incoming().iterdir()):
        if path.name not in known and now - path.stat().st_mtime > _YOUNG.total_seconds():
            path.unlink(missing_ok=True)
            count += 1
    return count


register(FileStore("recordings", _originals, _remove_original, lambda: clear_spare_files(_YOUNG), _opened_original))
register(FileStore("signals", _forms, _remove_form, lambda: 0))  # swept with the originals
register(FileStore("uploads", _uploads, _remove_upload, _sweep_uploads))
