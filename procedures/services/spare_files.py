"""Clearing files that no row names: originals and stored forms left behind by rows that were refused or removed."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from uuid import uuid4

from django.utils import timezone

from procedures.models import Recording, StoredSignals
from procedures.recordings.object_store import last_change, remove_signals
from procedures.selectors.places import forms, incoming, original_name, originals, place_of

#: A file is kept before its row is written; after so long no row comes any more.
SAFE_AGE = dt.timedelta(hours=24)
_BATCH = 500


def clear_spare_files(age: dt.timedelta = SAFE_AGE) -> int:
    """Remove every original and every stored form that no row names and that is older than ``age``; return how many.

    A file that is taken in again meanwhile is touched, which makes it young.
    """
    before = timezone.now() - age
    return _clear_originals(before) + _clear_forms(before)


def _clear_originals(before: dt.datetime) -> int:
    count, batch = 0, list[Path]()
    for path in originals():
        batch.append(path)
        if len(batch) == _BATCH:
            count, batch = count + _clear_batch(batch, before), []
    return count + _clear_batch(batch, before)


def _clear_batch(paths: list[Path], before: dt.datetime) -> int:
    names = {f"{path.parent.name}/{path.name}": path for path in paths}
    named = set(Recording.objects.filter(file__in=names).values_list("file", flat=True))
    return sum(_clear_original(path, before) for name, path in names.items() if name not in named)


def _clear_original(path: Path, before: dt.datetime) -> bool:
    """Take a file out of the store first and look again: a row may have come to name it, or be about to."""
    if not _older(path, before):
        return False
    aside = incoming() / f"{path.name}.{uuid4().hex}.spare"
    try:
        path.rename(aside)
    except FileNotFoundError:
        return False
    if _older(aside, before) and not Recording.objects.filter(file=original_name(path.name)).exists():
        aside.unlink()
        return True
    aside.rename(path)
    return False


def _older(path: Path, before: dt.datetime) -> bool:
    try:
        return dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC) < before
    except FileNotFoundError:
        return False


def _clear_forms(before: dt.datetime) -> int:
    """A form has a name of its own, so that nobody can come to need one that is not named and old."""
    count = 0
    named = set(StoredSignals.objects.exclude(place="").values_list("place", flat=True))
    for name in forms():
        changed = None if name in named else last_change(place_of(name))
        if changed and changed < before:
            remove_signals(place_of(name))
            count += 1
    return count
