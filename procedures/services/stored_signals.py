"""Making the stored form of a recording, once: while a file is taken in, or in the background."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import uuid4

from django.conf import settings
from django.db import transaction

from procedures.models import Recording, StoredSignals
from procedures.recordings import RecordingError, open_recording
from procedures.recordings.object_store import remove_signals
from procedures.recordings.reading import Recording as Opened
from procedures.recordings.stored import LAYOUT
from procedures.recordings.storing import Tell, store_signals
from procedures.selectors.drawn_signals import sums_of
from procedures.selectors.signals import place_of
from registry.jobs import Claim, Refused, TryAgain, send_later
from registry.models import RunState


def make_form(source: Opened, sha256: str, sums: Sequence[Sequence[str]], tell: Tell | None = None) -> str:
    """Write a stored form under a name of its own and return the name; after a failure nothing of it is left.

    Raises
    ------
    RecordingError, OSError
        When the recording cannot be decoded, or there is no room.
    """
    name = f"{sha256[:2]}/{sha256}-{uuid4().hex[:12]}"
    try:
        store_signals(source, place_of(name), sha256=sha256, sums=sums, key=settings.SIGNALS_KEY, tell=tell)
    except BaseException:
        drop_form(name)
        raise
    return name


def drop_form(name: str) -> None:
    """Remove a stored form; nothing happens where there is none."""
    if name:
        remove_signals(place_of(name))


def note_form(recording: Recording, place: str) -> StoredSignals:
    """Within the transaction that writes a recording: say where its form lies, or ask for one to be made."""
    if place:
        return StoredSignals.objects.create(
            recording=recording, place=place, layout=LAYOUT, state=RunState.DONE, progress_percent=100
        )
    form = StoredSignals.objects.create(recording=recording)
    send_later(form)
    return form


def prepare_again(recording: Recording) -> None:
    """Ask for a new form, because what is drawn as a sum has changed; the old one serves meanwhile."""
    with transaction.atomic():
        form, _ = StoredSignals.objects.select_for_update(no_key=True).get_or_create(recording=recording)
        form.state, form.attempts, form.failure, form.sent_at = RunState.QUEUED, 0, "", None
        form.token = form.lease_until = form.next_try_at = None
        form.save()
        send_later(form)


def carry_out(claim: Claim) -> None:
    """Decode a recording into its stored form. Safe to call twice: the last one to finish is in use."""
    form = StoredSignals.objects.select_related("recording").get(pk=claim.key)
    recording = form.recording
    claim.tell("Decoding the recording", 0.0)
    try:
        source = open_recording(recording.file.path)
        place = make_form(
            source, recording.sha256, sums_of(recording), lambda share: claim.tell("Storing the signals", share)
        )
    except RecordingError as error:
        raise Refused(str(error)) from error
    except OSError as error:
        raise TryAgain(f"The signals could not be stored: {error.strerror or error}.") from error
    try:
        with claim.writing() as row:
            old, row.place, row.layout = row.place, place, LAYOUT
            transaction.on_commit(lambda: drop_form(old))
    except BaseException:
        drop_form(place)
        raise
