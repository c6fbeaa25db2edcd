"""A session's recordings: stored once by content, channels mapped, epochs proposed and marked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from procedures.models import Epoch, PacingConfiguration, Recording, Session, Site, StoredSignals
from procedures.recordings import (
    EpochMark,
    RecordingError,
    assign_roles,
    check_epochs,
    epochs_from_annotations,
    parse_epochs_csv,
)
from procedures.selectors.drawn_signals import sums_of
from procedures.selectors.observations import BASELINE
from procedures.selectors.signals import channels_of, opened, reading_by, reading_of, span_of
from procedures.services.epochs import put_epoch
from procedures.services.guard import writing
from procedures.services.intake import Upload, taken_in, write_recording
from procedures.services.stored_signals import described, prepare_again
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User
from registry.services.records import change, remove

SITE_PREFIX = "site:"


@dataclass(frozen=True)
class ProposedEpoch:
    """An epoch found in the file; ``site`` is the session's site of that label, if there is one."""

    label: str
    start_s: float
    end_s: float
    is_baseline: bool
    site: Site | None

    @property
    def recognised(self) -> bool:
        """Whether it is known what was paced."""
        return self.is_baseline or self.site is not None


def store_recording(
    *,
    by: User,
    session: Session,
    upload: Upload,
    original_name: str,
    started_at: dt.datetime | None = None,
    mapping: Mapping[str, str] | None = None,
    key: UUID | None = None,
    reason: str = "",
) -> Recording:
    """Read a file of signals and store it with a session; for those who can wait until it has been read.

    The same content again is the same recording. ``started_at`` is the session clock at the first sample. Without it
    the file's own clock is used when it falls into the session, and is asked for otherwise.

    Raises
    ------
    RuleBroken
        When the file cannot be read, is too large, its channels are ambiguous, or its start is not known; then nothing
        is stored.
    """
    file = {"upload": upload, "original_name": original_name, "started_at": started_at, "mapping": mapping}
    return _take_in(by=by, session=session, file=file, at_once=True, key=key, reason=reason)


def receive_recording(
    *,
    by: User,
    session: Session,
    upload: Upload,
    original_name: str,
    started_at: dt.datetime | None = None,
    mapping: Mapping[str, str] | None = None,
    replaces: Recording | None = None,
    key: UUID | None = None,
    reason: str = "",
) -> Recording:
    """Receive a file as :func:`store_recording` does, but have a job read it, since somebody waits for the answer.

    Only its head is looked at. What is found wrong later is said on the page of the recording. ``replaces`` is a
    recording whose file could not be read; it goes in the same act.

    Raises
    ------
    RuleBroken
        When the head cannot be read, the file is too large, its channels are ambiguous, or its start is not known.
    """
    file = {"upload": upload, "original_name": original_name, "started_at": started_at, "mapping": mapping}
    return _take_in(by=by, session=session, file=file, replaces=replaces, key=key, reason=reason)


def _take_in(
    *,
    by: User,
    session: Session,
    file: dict[str, Any],
    at_once: bool = False,
    replaces: Recording | None = None,
    key: UUID | None,
    reason: str,
) -> Recording:
    with taken_in(by=by, session=session, at_once=at_once, **file) as incoming:
        if incoming.stored and incoming.stored != replaces:
            return incoming.stored
        if incoming.stored:
            sentence = "This is the file that could not be read. Choose another one."
            raise RuleBroken(sentence, fields={"file": [sentence]})
        summary = f"Recording {incoming.values['original_name']}"
        with writing(session, by=by, summary=summary, reason=reason) as locked:
            recording = write_recording(locked, incoming, by=by, key=key, reason=reason)
            if replaces:
                _remove_unread(replaces, by=by, locked=locked, reason=reason)
            return recording


def withdraw_recording(*, by: User, recording: Recording, reason: str = "") -> None:
    """Remove a recording whose file has not been read or cannot be; nothing can rest on it yet.

    Raises
    ------
    RuleBroken
        When its file has been read.
    """
    with writing(recording.session, by=by, summary=f"Withdrew {recording.original_name}", reason=reason) as locked:
        _remove_unread(recording, by=by, locked=locked, reason=reason)


def read_again(*, by: User, recording: Recording) -> None:
    """Try once more to read a file that could not be read."""
    require(by, recording.session.centre_id, Right.WRITE_SESSIONS)
    if reading_of(recording).state == "failed":
        prepare_again(recording)


def _remove_unread(recording: Recording, *, by: User, locked: Session, reason: str) -> None:
    # The row of the reading, locked, so that a job that ends now either comes first or finds nothing.
    form = StoredSignals.objects.select_for_update(no_key=True).filter(recording=recording).first()
    if recording.session_id != locked.pk:
        raise Recording.DoesNotExist("The recording was not found in this session.")
    if reading_by(form).state == "read":
        raise RuleBroken(f"The file {recording.original_name} has been read; it cannot be withdrawn or replaced.")
    remove(recording, by=by, centre_id=locked.centre_id, reason=reason)


def map_channels(
    *, by: User, recording: Recording, mapping: Mapping[str, str], version: int, reason: str = ""
) -> Recording:
    """Say by hand which channel has which role.

    Raises
    ------
    RuleBroken
        When a label does not exist, a role is unknown, or a unit does not fit.
    """
    span_of(recording)
    channels, drawn = channels_of(recording), sums_of(recording)
    try:
        assignment = assign_roles(channels, mapping)
    except RecordingError as error:
        raise RuleBroken(str(error), fields={"mapping": [str(error)]}) from None
    values = {"mapping": dict(mapping), "channels": described(channels, assignment.roles)}
    with writing(recording.session, by=by, summary="Channel mapping", reason=reason) as locked:
        mapped = change(recording, by=by, centre_id=locked.centre_id, values=values, version=version, reason=reason)
        if sums_of(mapped) != drawn:
            prepare_again(mapped)
        return mapped


def propose_epochs(recording: Recording, table: str | None = None) -> list[ProposedEpoch]:
    """Return the epochs marked in the file, or in the text of an epochs table, matched to the session's sites.

    Raises
    ------
    RuleBroken
        When the table or the marks make no sense (overlap, outside the recording).
    """
    start_s, last_s = span_of(recording)
    try:
        marks = parse_epochs_csv(table) if table else epochs_from_annotations(opened(recording).annotations, last_s)
        marks = check_epochs(marks, start_s, last_s)
    except RecordingError as error:
        raise RuleBroken(str(error), fields={"epochs": [str(error)]}) from None
    sites = {_folded(site.label): site for site in recording.session.sites.all()}
    return [_proposed(mark, sites) for mark in marks]


def mark_epoch(
    *,
    by: User,
    recording: Recording,
    site: Site | None,
    start_s: float,
    end_s: float,
    pacing: PacingConfiguration | None = None,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> Epoch:
    """Mark a stretch of a recording as an epoch; ``site=None`` is a baseline. Seconds on the file's own time axis.

    Raises
    ------
    RuleBroken
        When the stretch is empty, outside the recording, or overlaps another epoch of it.
    """
    first, last = span_of(recording)
    if not first <= start_s < end_s <= last + 0.05:
        raise RuleBroken(
            f"The epoch must lie within the recording, {first:.1f} to {last:.1f} s, and end after it starts.",
            fields={"end_s": [f"Enter seconds from {first:.1f} to {last:.1f}, the end after the start."]},
        )
    end_s = min(end_s, last)
    others = recording.epochs.exclude(pk=key) if key else recording.epochs.all()
    if clash := others.filter(recording_start_s__lt=end_s, recording_end_s__gt=start_s).first():
        span = (clash.recording_start_s, clash.recording_end_s)
        if span == (start_s, end_s) and clash.site_id == (site.pk if site else None):
            return clash
        raise RuleBroken(
            f"This overlaps the epoch {clash.label}, {span[0]:.1f} to {span[1]:.1f} s.",
            fields={"start_s": ["Epochs of a recording do not overlap."]},
        )
    return put_epoch(
        by=by,
        session=recording.session,
        site=site,
        started_at=recording.started_at + dt.timedelta(seconds=start_s - first),
        ended_at=recording.started_at + dt.timedelta(seconds=end_s - first),
        pacing=pacing,
        recording=recording,
        recording_start_s=start_s,
        recording_end_s=end_s,
        key=key,
        version=version,
        reason=reason,
    )


def _folded(label: str) -> str:
    return " ".join(label.split()).casefold()


def _proposed(mark: EpochMark, sites: Mapping[str, Site]) -> ProposedEpoch:
    folded = _folded(mark.label)
    is_baseline = folded == BASELINE
    site = None if is_baseline else sites.get(folded) or sites.get(_folded(folded.removeprefix(SITE_PREFIX)))
    return ProposedEpoch(mark.label, mark.start_s, mark.end_s, is_baseline, site)
