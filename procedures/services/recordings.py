"""A session's recordings: stored once by content, channels mapped, epochs proposed and marked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from procedures.models import Epoch, PacingConfiguration, Recording, Session, Site
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
from procedures.selectors.signals import channels_of, opened
from procedures.services.epochs import put_epoch
from procedures.services.guard import writing
from procedures.services.intake import Upload, described, taken_in, write_recording
from procedures.services.stored_signals import prepare_again
from registry.errors import RuleBroken
from registry.models import User
from registry.services.records import change

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
    """Store a file of signals with a session; the same content again is the same recording.

    ``started_at`` is the session clock at the first sample. Without it the file's own clock is used when it falls into
    the session, and is asked for otherwise.

    Raises
    ------
    RuleBroken
        When the file cannot be read, is too large, its channels are ambiguous, or its start is not known.
    """
    with taken_in(
        by=by, session=session, upload=upload, original_name=original_name, started_at=started_at, mapping=mapping
    ) as incoming:
        if incoming.stored:
            return incoming.stored
        summary = f"Recording {incoming.values['original_name']}"
        with writing(session, by=by, summary=summary, reason=reason) as locked:
            return write_recording(locked, incoming, by=by, key=key, reason=reason)


def map_channels(
    *, by: User, recording: Recording, mapping: Mapping[str, str], version: int, reason: str = ""
) -> Recording:
    """Say by hand which channel has which role.

    Raises
    ------
    RuleBroken
        When a label does not exist, a role is unknown, or a unit does not fit.
    """
    channels, drawn = channels_of(recording), sums_of(recording)
    try:
        assignment = assign_roles(channels, mapping)
    except RecordingError as error:
        raise RuleBroken(str(error), fields={"mapping": [str(error)]}) from None
    values = {"mapping": dict(mapping), "channels": described(channels, assignment)}
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
    start_s, end_s = recording.axis_start_s, recording.axis_start_s + recording.duration_s
    try:
        marks = parse_epochs_csv(table) if table else epochs_from_annotations(opened(recording).annotations, end_s)
        marks = check_epochs(marks, start_s, end_s)
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
    first, last = recording.axis_start_s, recording.axis_start_s + recording.duration_s
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
