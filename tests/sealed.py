"""Originals as they lie: written by hand where a test needs a file that no service would store."""

from __future__ import annotations

from pathlib import Path

from procedures.models import Recording
from procedures.recordings.sealed_file import seal_into
from procedures.selectors.places import originals_root
from procedures.selectors.sealed import key_of


def overwrite_original(recording: Recording, content: bytes) -> None:
    """Put other content in the place of a recording's original, encrypted with the right key."""
    owner = recording.session.patient_id
    path = originals_root() / recording.file.name
    path.unlink()
    with path.open("w+b", buffering=0) as file:
        seal_into(file, [content], owner, key_of(owner))


def lay_open(recording: Recording, content: bytes) -> Path:
    """Let the original lie as recordings did before they were encrypted: in the clear, under its own hash."""
    (originals_root() / recording.file.name).unlink()
    name = f"{recording.sha256[:2]}/{recording.sha256}"
    path = originals_root() / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    Recording.objects.filter(pk=recording.pk).update(file=name)
    recording.refresh_from_db()
    return path
