"""A file on its way in: received, hashed, looked at and kept before anything is locked; a row is written afterwards."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol
from uuid import UUID

from django.conf import settings

from procedures.models import Recording, Session, StoredSignals
from procedures.recordings import RecordingError, assign_roles
from procedures.recordings.heads import Head, read_head
from procedures.recordings.reading import Recording as Opened
from procedures.recordings.stored import StoredRecording
from procedures.selectors.places import original_name as original_name_of
from procedures.selectors.places import place_of
from procedures.selectors.sealed import key_of_form
from procedures.selectors.signals import opened
from procedures.services.file_names import kept_name
from procedures.services.guard import put_in
from procedures.services.room import said
from procedures.services.sealing import sealed_copy
from procedures.services.store import keep
from procedures.services.stored_signals import described, drop_form, note_form, read_file
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User

# A file that is read while somebody waits: five minutes of twelve leads at 1000 Hz.
MOST_SHORT_BYTES, MOST_SHORT_SAMPLES = 16_000_000, 4_000_000


@dataclass(frozen=True)
class SentFile:
    """A whole file that lies on the server already, handed on as an upload.

    ``kept_as``: it lies beside the store, encrypted for the patient of its session, so that it is taken into it without
    being copied; this is the SHA-256 of its bytes there, and ``sha256`` that of what it holds.
    """

    path: Path
    sha256: str = ""
    kept_as: str = ""

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
    """A file that was received and looked at, and the values of its record; nothing of it is written yet.

    ``stored`` is the session's recording of the same content, where there was one. ``place`` names the stored form of a
    file that was read at once.
    """

    sha256: str
    stored: Recording | None = None
    values: dict[str, Any] = field(default_factory=dict)
    place: str = ""
    owner: UUID | None = None

    @property
    def opened(self) -> Opened:
        """The signals of a file that was read."""
        if self.stored:
            return opened(self.stored)
        return StoredRecording(place_of(self.place), key_of_form(self.owner, self.place))

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
    at_once: bool = False,
    short: bool = False,
) -> Iterator[Incoming]:
    """Receive a file, look at its head and keep it; no transaction is open meanwhile.

    ``at_once``: read all of it, where nobody waits or the file is ``short``, which is then required of it; otherwise a
    job reads it.

    Raises
    ------
    AccessDenied
        When the role does not write sessions; then not a byte was received.
    RuleBroken
        When the file is too large, its head cannot be read, its channels are ambiguous, or its start is not known.
    """
    require(by, session.centre_id, Right.WRITE_SESSIONS)
    name = kept_name(session, original_name, plain_name)
    owner = session.patient_id
    with _received(upload, owner) as (path, sha256, size, kept_as):
        if stored := session.recordings.filter(sha256=sha256).first():
            yield Incoming(sha256, stored)
            return
        with _in_words(path, Path(name).name) as labels:
            head = read_head(path)
            if short:
                _require_short(head, size)
            labels.extend(channel.label for channel in head.channels)
            assignment = assign_roles(head.channels, mapping)
        values = {
            "sha256": sha256,
            "original_name": name,
            "format": head.format,
            "size_bytes": size,
            "duration_s": head.duration_s,
            "axis_start_s": head.start_s,
            "started_at": _start(started_at, head.started_at, session),
            "channels": described(head.channels, assignment.roles),
            "mapping": dict(mapping or {}),
            "uploaded_by": by,
            "file": original_name_of(kept_as),
        }
        place = ""
        try:
            if at_once:
                with _in_words(path, Path(name).name) as labels, said():
                    facts, place = read_file(path, sha256, mapping, owner=owner, labels=labels)
                values |= facts
            with said():
                keep(path, kept_as)
            yield Incoming(sha256, None, values, place, owner)
        finally:
            if place and not StoredSignals.objects.filter(place=place).exists():
                drop_form(place)


def _require_short(head: Head, size: int) -> None:
    unknown = head.format == "WFDB" and head.samples is None
    if size > MOST_SHORT_BYTES or (head.samples or 0) > MOST_SHORT_SAMPLES or unknown:
        raise RecordingError(
            f"The file is too long for one ECG, which may have {MOST_SHORT_BYTES // 1_000_000} MB and five minutes of "
            "twelve leads. Upload it as a recording, and measure a stretch of it."
        )


@contextmanager
def _in_words(path: Path, name: str) -> Iterator[list[str]]:
    """Turn what is wrong with a file into a refusal in its sender's words; yields a list for the labels of channels."""
    labels: list[str] = []
    try:
        yield labels
    except RecordingError as error:
        sentence = str(error).replace(path.name, name)
        if labels:
            unclear = ChannelsUnclear(sentence, fields={"file": [sentence]})
            unclear.labels = labels
            raise unclear from None
        raise RuleBroken(sentence, fields={"file": [sentence]}) from None


def write_recording(
    locked: Session, incoming: Incoming, *, by: User, key: UUID | None = None, reason: str = ""
) -> Recording:
    """Within an act of writing on a locked session: write the row; the same content again is the same recording."""
    # Asked again under the lock: the same file may have been sent twice at once.
    if stored := locked.recordings.filter(sha256=incoming.sha256).first():
        return stored
    recording = put_in(locked, Recording, incoming.values, by=by, key=key, reason=reason)
    if not hasattr(recording, "signals"):
        note_form(recording, incoming.place, incoming.owner)
    return recording


@contextmanager
def _received(upload: Upload, owner: UUID) -> Iterator[tuple[Path, str, int, str]]:
    """Give a file encrypted for a patient, the SHA-256 and size of what it holds, and the SHA-256 of its bytes."""
    if isinstance(upload, SentFile) and upload.kept_as:
        yield upload.path, upload.sha256, _allowed(upload.path.stat().st_size), upload.kept_as
        return
    with sealed_copy(_checked(upload.chunks()), owner) as received:
        yield received


def _checked(chunks: Iterable[bytes]) -> Iterator[bytes]:
    size = 0
    for chunk in chunks:
        size = _allowed(size + len(chunk))
        yield chunk


def _allowed(size: int) -> int:
    if size > settings.RECORDING_MAX_BYTES:
        limit = settings.RECORDING_MAX_BYTES // 1024**2
        raise RuleBroken(f"The file is larger than {limit} MB.", fields={"file": ["Choose a smaller file."]})
    return size


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
