"""Where the files of recordings lie. Nothing else knows: what clears or erases files asks here.

Three places: the originals, by content; their stored forms; and files on their way in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings

from procedures.models import Recording, StoredSignals, Upload


@dataclass(frozen=True)
class RecordingFiles:
    """Everything that lies on a disk or in an object storage for some recordings.

    ``originals`` of before they were encrypted may be named by recordings of other sessions too.
    """

    originals: list[Path]
    forms: list[str]
    incoming: list[Path]


def originals_root() -> Path:
    """Return the folder of the original files."""
    return Path(settings.MEDIA_ROOT)


def original_name(sha256: str) -> str:
    """Return the name of an original below its folder: the hash of the bytes as they lie there, encrypted."""
    return f"{sha256[:2]}/{sha256}"


def incoming() -> Path:
    """Return the folder of files on their way in."""
    folder = originals_root() / "incoming"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def sent_so_far(upload: Upload) -> Path:
    """Return where what has arrived of an upload lies."""
    return incoming() / f"{upload.pk.hex}.part"


def signals_root() -> str:
    """Return the folder of the stored forms, or its URL in an object storage."""
    return (settings.SIGNALS_ROOT or str(originals_root() / "signals")).rstrip("/")


def place_of(name: str) -> str:
    """Return the folder, or the URL in an object storage, of a stored form."""
    return f"{signals_root()}/{name}"


def files_of(recordings: Iterable[Recording], uploads: Iterable[Upload] = ()) -> RecordingFiles:
    """Return every file of some recordings, and of uploads that are not recordings yet."""
    kept = list(recordings)
    forms = StoredSignals.objects.filter(recording__in=kept).exclude(place="")
    return RecordingFiles(
        originals=[originals_root() / recording.file.name for recording in kept],
        forms=[place_of(place) for place in forms.values_list("place", flat=True)],
        incoming=[sent_so_far(upload) for upload in uploads],
    )


def originals() -> Iterator[Path]:
    """Go through all original files that lie there, named by a row or not."""
    for folder in _twos(originals_root()):
        yield from (path for path in folder.iterdir() if path.is_file())


def forms() -> Iterator[str]:
    """Go through the names of all stored forms that lie there, named by a row or not."""
    if "://" not in signals_root():
        for folder in _twos(Path(signals_root())):
            yield from (f"{folder.name}/{path.name}" for path in folder.iterdir())
        return
    from fsspec.core import url_to_fs

    system, root = url_to_fs(signals_root())
    for folder in system.ls(root, detail=False) if system.exists(root) else ():
        for path in system.ls(folder, detail=False):
            yield "/".join(path.rstrip("/").split("/")[-2:])


def _twos(root: Path) -> Iterator[Path]:
    """The folders named by the first two digits of a hash."""
    for digits in range(256):
        if (folder := root / f"{digits:02x}").is_dir():
            yield folder
