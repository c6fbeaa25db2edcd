"""Encrypting files for a patient, and those that lie in the clear from before."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID, uuid4

from django.db import transaction
from django.db.models import F, Q

from procedures.models import Recording, Session, StoredSignals
from procedures.recordings import RecordingError
from procedures.recordings.hashing import sha256_of
from procedures.recordings.object_store import seal_form
from procedures.recordings.sealed_file import SealedPath, owner_of, seal_into, sealed_path
from procedures.selectors.places import incoming, original_name, originals_root, place_of
from procedures.selectors.sealed import key_of, key_of_form, lies_open
from procedures.services.room import said
from procedures.services.store import keep
from procedures.services.stored_signals import drop_form
from registry.errors import RuleBroken
from registry.services.patient_keys import ensure_key

#: Told how many of how many are done.
Progress = Callable[[int, int], None]
_PIECE = 1 << 20


@dataclass
class Sealed:
    """What was encrypted or removed: originals, stored forms, unfinished files; and what could not be."""

    originals: int = 0
    forms: int = 0
    unfinished: int = 0
    failed: int = 0


def writing_key(owner: UUID) -> bytes:
    """Return the key to encrypt a patient's files with; no transaction need be open.

    Raises
    ------
    RuleBroken
        When it cannot be opened.
    ObjectDoesNotExist
        When the patient was erased.
    """
    ensure_key(owner)
    try:
        return key_of(owner)
    except RecordingError as error:
        raise RuleBroken(str(error)) from None


@contextmanager
def sealed_copy(chunks: Iterable[bytes], owner: UUID) -> Iterator[tuple[SealedPath, str, int, str]]:
    """Give an encrypted file that goes afterwards, the SHA-256 and size of what it holds, and that of its bytes.

    Raises
    ------
    NoRoom, StoreClosed
        When it cannot be written.
    """
    key = writing_key(owner)
    with said():
        temporary = tempfile.NamedTemporaryFile(dir=incoming(), buffering=0)  # noqa: SIM115 - closed below
    try:
        with said():
            sha256, size = seal_into(temporary.file, chunks, owner, key)
        path = Path(temporary.name)
        yield sealed_path(path, key), sha256, size, sha256_of(path)
    finally:
        with suppress(OSError):
            temporary.close()


def open_originals() -> int:
    """Return how many recordings have an original that lies in the clear."""
    return _open_originals().count()


def _open_originals():  # type: ignore[no-untyped-def] # a query set
    return Recording.objects.filter(file__endswith=F("sha256")).order_by("pk")


def seal_what_lies_open(tell: Progress | None = None) -> Sealed:
    """Encrypt what was stored in the clear before: originals, stored forms; unfinished uploads in the clear go.

    Breaking it off leaves each file either as it was or encrypted; the next run goes on with the rest.
    """
    done = Sealed(unfinished=_clear_open_parts())
    originals = list(_open_originals().values_list("pk", flat=True))
    forms = list(
        StoredSignals.objects.filter(~Q(place=""), sealed_for=None).order_by("pk").values_list("pk", flat=True)
    )
    whole, count = len(originals) + len(forms), 0
    for keys, seal in ((originals, _seal_original), (forms, _seal_form)):
        for key in keys:
            try:
                seal(key, done)
            except (OSError, RecordingError, RuleBroken):
                done.failed += 1
            count += 1
            if tell:
                tell(count, whole)
    return done


def _seal_original(key: UUID, done: Sealed) -> None:
    recording = Recording.objects.select_related("session").filter(pk=key).first()
    if recording is None or not lies_open(recording):
        return
    old, path = recording.file.name, originals_root() / recording.file.name
    with sealed_copy(_pieces(path), recording.session.patient_id) as (copy, sha256, _, kept_as):
        if sha256 != recording.sha256:
            raise RecordingError("The stored file no longer has its hash.")
        keep(copy, kept_as)
    with transaction.atomic():
        Session.objects.select_for_update(no_key=True).get(pk=recording.session_id)
        # Where its bytes lie has no link of the trail; its hash, which stays, has one.
        done.originals += Recording.objects.filter(pk=key, file=old).update(file=original_name(kept_as))
    if not Recording.objects.filter(file=old).exists():
        path.unlink(missing_ok=True)


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as stream:
        while piece := stream.read(_PIECE):
            yield piece


def _seal_form(key: UUID, done: Sealed) -> None:
    form = StoredSignals.objects.select_related("recording__session").filter(pk=key).first()
    if form is None or form.sealed_for or not form.place:
        return
    old, owner = form.place, form.recording.session.patient_id
    name = f"{old.rpartition('-')[0]}-{uuid4().hex[:12]}"
    writing_key(owner)
    sealing = key_of_form(owner, name)
    assert sealing is not None  # noqa: S101 - it has an owner
    try:
        seal_form(place_of(old), place_of(name), sealing)
        with transaction.atomic():
            changed = StoredSignals.objects.filter(pk=key, place=old).update(place=name, sealed_for=owner)
    except BaseException:
        drop_form(name)
        raise
    drop_form(old if changed else name)
    done.forms += changed


def _clear_open_parts() -> int:
    count = 0
    for path in incoming().glob("*.part"):
        with suppress(OSError):
            if owner_of(path) is None:
                path.unlink()
                count += 1
    return count
