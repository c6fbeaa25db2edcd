"""Taking in a recording: checked before it is kept, stored once by content, its epochs proposed and marked."""

from __future__ import annotations

import datetime as dt
import hashlib
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol
from uuid import UUID

from django.conf import settings
from django.core.files import File
from django.core.files.storage import default_storage

from procedures.models import Epoch, PacingConfiguration, Recording, Session, Site
from procedures.recordings import (
    Assignment,
    EpochMark,
    RecordingError,
    assign_roles,
    check_epochs,
    epochs_from_annotations,
    open_recording,
    parse_epochs_csv,
)
from procedures.selectors.observations import BASELINE
from procedures.services.epochs import put_epoch
from procedures.services.file_names import kept_name
from procedures.services.guard import put_in, writing
from registry.errors import RuleBroken
from registry.models import User
from registry.services.records import change

SITE_PREFIX = "site:"


class Upload(Protocol):
    """An uploaded file, as the web framework hands it over."""

    def chunks(self) -> Iterable[bytes]: ...


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
    original_name = kept_name(session, original_name, "recording")
    with writing(session, by=by, summary=f"Recording {original_name}", reason=reason) as locked:
        return take_in(
            by=by,
            locked=locked,
            upload=upload,
            original_name=original_name,
            started_at=started_at,
            mapping=mapping,
            key=key,
            reason=reason,
        )


def take_in(
    *,
    by: User,
    locked: Session,
    upload: Upload,
    original_name: str,
    started_at: dt.datetime | None = None,
    mapping: Mapping[str, str] | None = None,
    key: UUID | None = None,
    reason: str = "",
) -> Recording:
    """Within an act of writing on a locked session: what :func:`store_recording` does."""
    incoming = Path(settings.MEDIA_ROOT) / "incoming"
    incoming.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=incoming) as temporary:
        sha256, size = _receive(upload, temporary)
        if stored := locked.recordings.filter(sha256=sha256).first():
            return stored
        path = Path(temporary.name)
        try:
            opened = open_recording(path)
            assignment = assign_roles(opened.channels, mapping)
        except RecordingError as error:
            sentence = _named(error, path, original_name)
            raise RuleBroken(sentence, fields={"file": [sentence]}) from None
        values = {
            "sha256": sha256,
            "original_name": original_name,
            "format": opened.format,
            "size_bytes": size,
            "duration_s": opened.duration_s,
            "axis_start_s": opened.start_s,
            "started_at": _start(started_at, opened.started_at, locked),
            "channels": _channels(opened.channels, assignment),
            "mapping": dict(mapping or {}),
            "uploaded_by": by,
            "file": _keep(path, sha256),
        }
        return put_in(locked, Recording, values, by=by, key=key, reason=reason)


def map_channels(
    *, by: User, recording: Recording, mapping: Mapping[str, str], version: int, reason: str = ""
) -> Recording:
    """Say by hand which channel has which role.

    Raises
    ------
    RuleBroken
        When a label does not exist, a role is unknown, or a unit does not fit.
    """
    with writing(recording.session, by=by, summary="Channel mapping", reason=reason) as locked:
        opened = open_recording(recording.file.path)
        try:
            assignment = assign_roles(opened.channels, mapping)
        except RecordingError as error:
            raise RuleBroken(str(error), fields={"mapping": [str(error)]}) from None
        values = {"mapping": dict(mapping), "channels": _channels(opened.channels, assignment)}
        return change(recording, by=by, centre_id=locked.centre_id, values=values, version=version, reason=reason)


def propose_epochs(recording: Recording, table: str | None = None) -> list[ProposedEpoch]:
    """Return the epochs marked in the file, or in the text of an epochs table, matched to the session's sites.

    Raises
    ------
    RuleBroken
        When the table or the marks make no sense (overlap, outside the recording).
    """
    opened = open_recording(recording.file.path)
    try:
        end_s = opened.start_s + opened.duration_s
        marks = parse_epochs_csv(table) if table else epochs_from_annotations(opened.annotations, end_s)
        marks = check_epochs(marks, opened.start_s, end_s)
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


def _receive(upload: Upload, target: Any) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    for chunk in upload.chunks():
        size += len(chunk)
        if size > settings.RECORDING_MAX_BYTES:
            limit = settings.RECORDING_MAX_BYTES // 1024**2
            raise RuleBroken(f"The file is larger than {limit} MB.", fields={"file": ["Choose a smaller file."]})
        digest.update(chunk)
        target.write(chunk)
    target.flush()
    return digest.hexdigest(), size


def _keep(path: Path, sha256: str) -> str:
    """Copy into the store unless this content lies there already; a row that fails later leaves only a spare file."""
    name = f"{sha256[:2]}/{sha256}"
    if not default_storage.exists(name):
        with path.open("rb") as stream:
            default_storage.save(name, File(stream))
    return name


def _start(typed: dt.datetime | None, clock: dt.datetime | None, session: Session) -> dt.datetime:
    """When the first sample was taken: as typed, else by the file's own clock; in the session either way."""
    earliest, latest = session.started_at - dt.timedelta(hours=1), session.started_at + dt.timedelta(hours=24)
    if typed is not None:
        if not earliest <= typed <= latest:
            sentence = "Time of the first sample: this lies outside the session, which the epochs are placed in by it."
            raise RuleBroken(sentence, fields={"started_at": [sentence]})
        return typed
    if clock is not None:
        aware = clock if clock.tzinfo else clock.replace(tzinfo=session.started_at.tzinfo)
        if earliest <= aware <= latest:
            return aware
    raise RuleBroken(
        "The file does not say when it was started, or says a time outside this session.",
        fields={"started_at": ["Enter the time of the first sample."]},
    )


def _channels(channels: Iterable[Any], assignment: Assignment) -> list[dict[str, Any]]:
    return [
        {"label": c.label, "unit": c.unit, "sample_rate_hz": c.sample_rate_hz, "role": role}
        for c, role in zip(channels, assignment.roles, strict=True)
    ]


def _named(error: RecordingError, path: Path, original_name: str) -> str:
    """Speak of the file by the name its sender knows."""
    return str(error).replace(path.name, Path(original_name).name)


def _folded(label: str) -> str:
    return " ".join(label.split()).casefold()


def _proposed(mark: EpochMark, sites: Mapping[str, Site]) -> ProposedEpoch:
    folded = _folded(mark.label)
    is_baseline = folded == BASELINE
    site = None if is_baseline else sites.get(folded) or sites.get(_folded(folded.removeprefix(SITE_PREFIX)))
    return ProposedEpoch(mark.label, mark.start_s, mark.end_s, is_baseline, site)
