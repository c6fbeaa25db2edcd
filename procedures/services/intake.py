"""A file on its way in: received, hashed, decoded and kept before anything is locked; a row is written afterwards."""

from __future__ import annotations

import datetime as dt
import hashlib
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol
from uuid import UUID

from django.conf import settings
from django.core.files import File
from django.core.files.storage import default_storage

from procedures.models import Recording, Session, StoredSignals
from procedures.recordings import Assignment, ChannelInfo, RecordingError, assign_roles, open_recording
from procedures.recordings.reading import DecodedRecording
from procedures.recordings.reading import Recording as Opened
from procedures.selectors.drawn_signals import sums_of
from procedures.selectors.signals import opened
from procedures.services.file_names import kept_name
from procedures.services.guard import put_in
from procedures.services.room import incoming, said
from procedures.services.stored_signals import drop_form, make_form, note_form
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User


@dataclass(frozen=True)
class SentFile:
    """A whole file that lies on the server already, handed on as an upload."""

    path: Path

    def chunks(self) -> Iterable[bytes]:
        """Return its bytes in pieces."""
        with self.path.open("rb") as stream:
            while piece := stream.read(1 << 20):
                yield piece


class ChannelsUnclear(RuleBroken):
    """The file can be read, but which of its channels is what has to be said; ``labels`` are all of them."""

    labels: Sequence[str] = ()


class Upload(Protocol):
    """An uploaded file, as the web framework hands it over."""

    def chunks(self) -> Iterable[bytes]: ...


@dataclass(frozen=True)
class Incoming:
    """A file that was received, decoded and found good, and the values of its record; nothing of it is written yet.

    ``stored`` is the session's recording of the same content, where there was one; then nothing was decoded. ``place``
    names its stored form where that is made already.
    """

    sha256: str
    stored: Recording | None = None
    values: dict[str, Any] = field(default_factory=dict)
    _opened: Opened | None = None
    place: str = ""

    @property
    def opened(self) -> Opened:
        """The decoded file."""
        return self._opened or opened(self.stored)  # type: ignore[arg-type] # one of the two is there

    @property
    def mapping(self) -> Mapping[str, str]:
        """Which channel has which role by hand."""
        return self.stored.mapping if self.stored else self.values["mapping"]

    @property
    def span(self) -> tuple[float, float]:
        """First and last second on the file's own time axis."""
        first = self.opened.start_s
        return first, first + self.opened.duration_s


@contextmanager
def taken_in(
    *,
    by: User,
    session: Session,
    upload: Upload,
    original_name: str,
    plain_name: str = "recording",
    started_at: dt.datetime | None = None,
    mapping: Mapping[str, str] | None = None,
) -> Iterator[Incoming]:
    """Receive a file and do everything slow with it: hash, decode, check, keep. No transaction is open meanwhile.

    Raises
    ------
    AccessDenied
        When the role does not write sessions; then not a byte was received.
    RuleBroken
        When the file cannot be read, is too large, its channels are ambiguous, or its start is not known.
    """
    require(by, session.centre_id, Right.WRITE_SESSIONS)
    name = kept_name(session, original_name, plain_name)
    with _received(upload) as (path, sha256, size):
        if stored := session.recordings.filter(sha256=sha256).first():
            yield Incoming(sha256, stored)
            return
        labels: list[str] = []
        try:
            source = open_recording(path)
            labels = [channel.label for channel in source.channels]
            assignment = assign_roles(source.channels, mapping)
        except RecordingError as error:
            sentence = str(error).replace(path.name, Path(name).name)  # by the name its sender knows
            if labels:
                unclear = ChannelsUnclear(sentence, fields={"file": [sentence]})
                unclear.labels = labels
                raise unclear from None
            raise RuleBroken(sentence, fields={"file": [sentence]}) from None
        begins = _start(started_at, source.started_at, session)
        with said():
            kept = _keep(path, sha256)
        values = {
            "sha256": sha256,
            "original_name": name,
            "format": source.format,
            "size_bytes": size,
            "duration_s": source.duration_s,
            "axis_start_s": source.start_s,
            "started_at": begins,
            "channels": described(source.channels, assignment),
            "mapping": dict(mapping or {}),
            "uploaded_by": by,
            "file": kept,
        }
        yield from _with_form(Incoming(sha256, None, values, source))


def _with_form(incoming: Incoming) -> Iterator[Incoming]:
    """Store what was decoded, so that it is decoded once; an original that is read in parts is left to a job."""
    if not isinstance(incoming.opened, DecodedRecording):
        yield incoming
        return
    sums = sums_of(Recording(channels=incoming.values["channels"]))
    with said():
        place = make_form(incoming.opened, incoming.sha256, sums)
    try:
        yield replace(incoming, place=place)
    finally:
        if not StoredSignals.objects.filter(place=place).exists():
            drop_form(place)


def write_recording(
    locked: Session, incoming: Incoming, *, by: User, key: UUID | None = None, reason: str = ""
) -> Recording:
    """Within an act of writing on a locked session: write the row; the same content again is the same recording."""
    # Asked again under the lock: the same file may have been sent twice at once.
    if stored := locked.recordings.filter(sha256=incoming.sha256).first():
        return stored
    recording = put_in(locked, Recording, incoming.values, by=by, key=key, reason=reason)
    if not hasattr(recording, "signals"):
        note_form(recording, incoming.place)
    return recording


def described(channels: Iterable[ChannelInfo], assignment: Assignment) -> list[dict[str, Any]]:
    """Return channels and their roles as a recording keeps them."""
    return [
        {"label": c.label, "unit": c.unit, "sample_rate_hz": c.sample_rate_hz, "role": role}
        for c, role in zip(channels, assignment.roles, strict=True)
    ]


@contextmanager
def _received(upload: Upload) -> Iterator[tuple[Path, str, int]]:
    """Give a file's place, SHA-256 and size; one that was sent in parts lies there already."""
    if isinstance(upload, SentFile):
        sha256, size = _receive(upload, None)
        yield upload.path, sha256, size
        return
    with said():
        temporary = tempfile.NamedTemporaryFile(dir=incoming())  # noqa: SIM115 - closed below, which removes it
    try:
        with said():
            sha256, size = _receive(upload, temporary)
        yield Path(temporary.name), sha256, size
    finally:
        with suppress(OSError):
            temporary.close()


def _receive(upload: Upload, target: Any) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    for chunk in upload.chunks():
        size += len(chunk)
        if size > settings.RECORDING_MAX_BYTES:
            limit = settings.RECORDING_MAX_BYTES // 1024**2
            raise RuleBroken(f"The file is larger than {limit} MB.", fields={"file": ["Choose a smaller file."]})
        digest.update(chunk)
        if target is not None:
            target.write(chunk)
    if target is not None:
        target.flush()
    return digest.hexdigest(), size


def _keep(path: Path, sha256: str) -> str:
    """Copy into the store unless this content lies there already; a row that fails later leaves only a spare file."""
    name = f"{sha256[:2]}/{sha256}"
    if not default_storage.exists(name):
        try:
            with path.open("rb") as stream:
                default_storage.save(name, File(stream))
        except OSError:
            with suppress(OSError):
                default_storage.delete(name)
            raise
    return name


def _start(typed: dt.datetime | None, clock: dt.datetime | None, session: Session) -> dt.datetime:
    """When the first sample was taken: as typed, else by the file's own clock; in the session either way."""
    earliest, latest = session.started_at - dt.timedelta(hours=1), session.started_at + dt.timedelta(hours=24)
    if typed is not None:
        if not earliest <= typed <= latest:
            sentence = "Time of the first sample: this is outside the session."
            raise RuleBroken(sentence, fields={"started_at": [sentence]})
        return typed
    if clock is not None:
        aware = clock if clock.tzinfo else clock.replace(tzinfo=session.started_at.tzinfo)
        if earliest <= aware <= latest:
            return aware
    raise RuleBroken(
        "The file does not state its start time, or states a time outside this session.",
        fields={"started_at": ["Enter the time of the first sample."]},
    )
