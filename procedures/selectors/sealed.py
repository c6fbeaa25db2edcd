"""Files of recordings as they are read: opened with the key of the patient they are encrypted for."""

from __future__ import annotations

import os
from pathlib import Path
from uuid import UUID

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from procedures.models import Recording, StoredSignals, Upload
from procedures.recordings import RecordingError
from procedures.recordings.sealed_file import SealedPath, owner_of, sealed_path
from procedures.selectors.places import originals_root, sent_so_far
from registry.errors import RuleBroken
from registry.selectors.file_keys import file_key
from registry.trail.sealing import Closed


def key_of(owner: UUID) -> bytes:
    """Return the key of a patient's files.

    Raises
    ------
    RecordingError
        When it was destroyed or cannot be unwrapped.
    """
    try:
        return file_key(owner)
    except Closed as error:
        raise RecordingError(
            "The key of this patient's files was destroyed by an erasure; nobody can read them."
            if error.missing
            else "The key of this patient's files cannot be opened. Ask your administrator whether "
            "TRIBUTARY_IDENTITY_KEYS holds all keys in use."
        ) from None
    except RuleBroken as error:
        raise RecordingError(str(error)) from None


def key_of_form(owner: UUID | None, name: str) -> bytes | None:
    """Return the key of one stored form; None for a form that was made before they were encrypted."""
    return None if owner is None else HKDF(SHA256(), 32, salt=None, info=name.encode()).derive(key_of(owner))


def form_key(form: StoredSignals) -> bytes | None:
    """Return the key of the form that a row names."""
    return key_of_form(form.sealed_for, form.place)


def lies_open(recording: Recording) -> bool:
    """Say whether the original was stored before originals were encrypted: then its own hash is its name."""
    return os.path.basename(recording.file.name) == recording.sha256  # noqa: PTH119 - a name in a store


def original_of(recording: Recording) -> Path:
    """Return the original file of a recording, to be read like any other.

    Raises
    ------
    RecordingError
        When it is missing, or cannot be opened.
    """
    path = originals_root() / recording.file.name
    return path if lies_open(recording) else opened_path(path)


def opened_path(path: Path) -> SealedPath:
    """Return an encrypted file, to be read like any other.

    Raises
    ------
    RecordingError
        When it is missing, not encrypted, or its key is not there.
    """
    try:
        owner = owner_of(path)
    except FileNotFoundError:
        raise RecordingError("The stored file is missing.") from None
    if owner is None:
        raise RecordingError("The stored file is damaged: it is not encrypted.")
    return sealed_path(path, key_of(owner))


def received_part(upload: Upload) -> SealedPath:
    """Return what has come of an upload."""
    return opened_path(sent_so_far(upload))
