"""Reading a file once, into its stored form: by a job, or at once where nobody waits for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from django.conf import settings
from django.db import transaction

from procedures.models import Recording, Session, StoredSignals
from procedures.recordings import ChannelInfo, RecordingError, assign_roles
from procedures.recordings.object_store import remove_signals
from procedures.recordings.reading import open_for_storing
from procedures.recordings.stored import LAYOUT
from procedures.recordings.storing import Tell, store_signals
from procedures.selectors.drawn_signals import sums_of
from procedures.selectors.places import originals_root, place_of
from procedures.selectors.sealed import key_of_form, original_of
from procedures.selectors.signals import forget_open
from procedures.services.guard import writing
from procedures.services.spare_files import clear_spare_files
from registry.jobs import Claim, Refused, TryAgain, send_later
from registry.models import RunState
from registry.services.records import change


def read_file(
    path: Path,
    sha256: str,
    mapping: Mapping[str, str] | None,
    *,
    owner: UUID,
    labels: list[str] | None = None,
    tell: Tell | None = None,
) -> tuple[dict[str, Any], str]:
    """Read a file into a stored form, encrypted for a patient; return what its record says, and the form's name.

    With ``labels``, which are filled with the channels, ambiguous channels are refused; otherwise they are left without
    a role, to be chosen on the page.

    Raises
    ------
    RecordingError, OSError
        When the file cannot be read, or there is no room; then nothing of the form is left.
    """
    source = open_for_storing(path)
    if labels is not None:
        labels.extend(channel.label for channel in source.channels)
    try:
        roles = assign_roles(source.channels, mapping).roles
    except RecordingError:
        if labels is not None:
            raise
        roles = (None,) * len(source.channels)
    if labels is not None:
        labels.clear()  # what is wrong from here on is not a question of channels
    channels = described(source.channels, roles)
    name = f"{sha256[:2]}/{sha256}-{uuid4().hex[:12]}"
    try:
        sums = sums_of(Recording(channels=channels))
        store_signals(source, place_of(name), sha256=sha256, sums=sums, key=key_of_form(owner, name), tell=tell)
    except BaseException:
        drop_form(name)
        raise
    facts = {
        "format": source.format,
        "duration_s": source.duration_s,
        "axis_start_s": source.start_s,
        # Once more: the rate of a CSV file is certain at its end only.
        "channels": described(source.channels, roles),
    }
    return facts, name


def described(channels: Iterable[ChannelInfo], roles: Iterable[str | None]) -> list[dict[str, Any]]:
    """Return channels and their roles as a recording keeps them."""
    return [
        {"label": c.label, "unit": c.unit, "sample_rate_hz": c.sample_rate_hz, "role": role}
        for c, role in zip(channels, roles, strict=True)
    ]


def drop_form(name: str) -> None:
    """Remove a stored form; nothing happens where there is none."""
    if name:
        forget_open(place_of(name))
        remove_signals(place_of(name))


def note_form(recording: Recording, place: str, owner: UUID | None = None) -> StoredSignals:
    """Within the transaction that writes a recording: say where its form lies, or ask for its file to be read."""
    if place:
        return StoredSignals.objects.create(
            recording=recording,
            place=place,
            layout=LAYOUT,
            sealed_for=owner,
            state=RunState.DONE,
            progress_percent=100,
        )
    form = StoredSignals.objects.create(recording=recording)
    send_later(form)
    return form


def prepare_again(recording: Recording) -> None:
    """Ask for the file to be read again; the old form, where there is one, serves meanwhile."""
    with transaction.atomic():
        form, _ = StoredSignals.objects.select_for_update(no_key=True).get_or_create(recording=recording)
        form.state, form.attempts, form.failure, form.sent_at = RunState.QUEUED, 0, "", None
        form.token = form.lease_until = form.next_try_at = None
        form.save()
        send_later(form)


def carry_out(claim: Claim) -> None:
    """Read a recording into its stored form. Safe to call twice: the last one to finish is in use."""
    form = StoredSignals.objects.select_related("recording__session").get(pk=claim.key)
    recording = form.recording
    claim.tell("Reading the file", 0.0)
    path, owner = originals_root() / recording.file.name, recording.session.patient_id
    try:
        path = original_of(recording)
        if path.stat().st_size != recording.size_bytes:
            raise RecordingError(f"The file {path.name} is not as long as it was when it came.")
        facts, place = read_file(
            path,
            recording.sha256,
            recording.mapping,
            owner=owner,
            tell=lambda share: claim.tell("Reading the file", share),
        )
    except RecordingError as error:
        raise Refused(str(error).replace(path.name, recording.original_name)) from error
    except OSError as error:
        raise TryAgain(f"The signals could not be stored: {error.strerror or error}.") from error
    try:
        _write(claim, recording, facts, place, owner)
    except BaseException:
        drop_form(place)
        raise
    if settings.JOBS_BY != "queue":
        # No clock runs beside the embedded edition; here nobody waits.
        with suppress(OSError):
            clear_spare_files()


@transaction.atomic
def _write(claim: Claim, recording: Recording, facts: Mapping[str, Any], place: str, owner: UUID) -> None:
    """Say where the form lies; the first time also what was read, as an act of the person who uploaded the file."""
    Session.objects.select_for_update(no_key=True).get(pk=recording.session_id)
    with claim.writing() as row:
        old, row.place, row.layout, row.sealed_for = row.place, place, LAYOUT, owner
        transaction.on_commit(lambda: drop_form(old))
        if old:
            return
        by, summary = recording.uploaded_by, f"Recording {recording.original_name} read"
        reason = "The file that was uploaded has been read."
        with writing(recording.session, by=by, right=None, summary=summary, reason=reason) as locked:
            stored = Recording.objects.select_for_update(no_key=True).get(pk=recording.pk)
            change(stored, by=by, centre_id=locked.centre_id, values=facts, version=None, reason=reason)
