"""The signals of a recording: whether its file has been read, and any window of it. Nothing else opens one."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass

import numpy as np

from procedures.models import Recording, RunState, StoredSignals
from procedures.recordings import Channel, ChannelInfo, RecordingError
from procedures.recordings.reading import Recording as Opened
from procedures.recordings.stored import LAYOUT, StoredRecording
from procedures.recordings.storing import SignalWriter
from procedures.selectors.places import place_of
from procedures.selectors.sealed import form_key
from registry.errors import RuleBroken

#: Forms kept open in a process.
MOST_OPEN = 16
_OPEN: dict[str, StoredRecording] = {}


class NotPrepared(RecordingError):
    """The stored form of a recording is still being made; trying again in a moment helps."""


class NotRead(RuleBroken):
    """The file of the recording has not been read, or could not be."""

    code, status = "recording_not_read", 409


@dataclass(frozen=True)
class FileReading:
    """How far the reading of a file is: ``waiting``, ``reading``, ``read`` or ``failed``, and why it failed."""

    state: str
    percent: int = 0
    step: str = ""
    failure: str = ""

    @property
    def busy(self) -> bool:
        """Whether it will go on by itself."""
        return self.state in ("waiting", "reading")


def reading_of(recording: Recording) -> FileReading:
    """Return how far the reading of a recording's file is."""
    return reading_by(StoredSignals.objects.filter(recording=recording).first())


def reading_by(form: StoredSignals | None) -> FileReading:
    """Return how far the reading of a file is by the row of its stored form."""
    if form is None:
        return FileReading("failed", failure="It was never prepared; ask your administrator to prepare it.")
    if form.place:
        return FileReading("read", 100)
    if form.state == RunState.RUNNING:
        return FileReading("reading", form.progress_percent, form.step)
    if form.busy:
        return FileReading("waiting", 0, form.step, form.failure)
    return FileReading("failed", failure=form.failure)


def span_of(recording: Recording) -> tuple[float, float]:
    """Return the first and last second of a recording on its own axis.

    Raises
    ------
    NotRead
        Before its file has been read, and when that failed.
    """
    reading = reading_of(recording)
    if reading.state == "read" and recording.duration_s is not None:
        return recording.axis_start_s, recording.axis_start_s + recording.duration_s
    if reading.busy:
        raise NotRead(
            f"The file {recording.original_name} is still being read. You can mark its epochs and analyse it when that "
            "is done."
        )
    raise NotRead(
        f"The file {recording.original_name} could not be read, so nothing can be marked or analysed in it. "
        f"{reading.failure} Upload another file in its place, or withdraw it."
    )


def opened(recording: Recording) -> Opened:
    """Open a recording for reading any part of it.

    Raises
    ------
    NotPrepared
        While its file is being read.
    RecordingError
        When its file could not be read, or its stored form is lost.
    """
    form = StoredSignals.objects.filter(recording=recording).first()
    if form and form.place and form.layout == LAYOUT:
        return _kept_open(form)
    if form and not form.busy:
        raise RecordingError(f"The file of this recording could not be read. {form.failure}".strip())
    raise NotPrepared("The file is being read. Its signals appear here when that is done.")


def load_libraries() -> None:
    """Load what the first window of a process would wait for: the library of the stored form takes over a second."""
    with tempfile.TemporaryDirectory() as folder:
        writer = SignalWriter(folder, [ChannelInfo("", "", 1.0)], format="", sha256="")
        writer.append([Channel("", "", 1.0, np.zeros(1))])
        writer.finish()
        StoredRecording(folder).read()


def forget_open(place: str) -> None:
    """Reopen a stored form the next time; called where one is removed."""
    _OPEN.pop(place, None)


def _kept_open(form: StoredSignals) -> StoredRecording:
    """A form that is complete never changes under its name, so its heads need not be read for each window."""
    place = place_of(form.place)
    if (found := _OPEN.get(place)) is not None:
        return found
    source = StoredRecording(place, form_key(form))
    if source.complete:
        while len(_OPEN) >= MOST_OPEN:
            _OPEN.pop(next(iter(_OPEN)), None)
        _OPEN[place] = source
    return source


def channels_of(recording: Recording) -> tuple[ChannelInfo, ...]:
    """Return the channels as they are in the file, without opening it."""
    return tuple(ChannelInfo(c["label"], c["unit"], c["sample_rate_hz"]) for c in recording.channels)
