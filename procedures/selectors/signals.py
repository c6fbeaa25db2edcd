"""The signals of a recording: any window, and an overview. Nothing else opens a file of signals."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings

from procedures.models import Recording, StoredSignals
from procedures.recordings import ChannelInfo, RecordingError, open_recording
from procedures.recordings.reading import Recording as Opened
from procedures.recordings.stored import LAYOUT, StoredRecording

#: Formats of which a window can be read from the original at once.
READ_IN_PLACE = ("EDF", "EDF+")


class NotPrepared(RecordingError):
    """The stored form of a recording is still being made; trying again in a moment helps."""


def place_of(name: str) -> str:
    """Return the folder, or the URL in an object storage, of a stored form."""
    root = settings.SIGNALS_ROOT or str(Path(settings.MEDIA_ROOT) / "signals")
    return f"{root.rstrip('/')}/{name}"


def opened(recording: Recording) -> Opened:
    """Open a recording for reading any part of it.

    Raises
    ------
    NotPrepared
        While its stored form is being made and the original cannot be read in parts.
    RecordingError
        When the stored form could not be made, or cannot be read.
    """
    form = StoredSignals.objects.filter(recording=recording).first()
    if form and form.place and form.layout == LAYOUT:
        return StoredRecording(place_of(form.place), settings.SIGNALS_KEY)
    if recording.format in READ_IN_PLACE:
        return open_recording(recording.file.path)
    if form and not form.busy:
        raise RecordingError(f"The signals of this recording could not be prepared. {form.failure}".strip())
    raise NotPrepared("The recording is being prepared. Its signals appear here in a moment.")


def channels_of(recording: Recording) -> tuple[ChannelInfo, ...]:
    """Return the channels as they are in the file, without opening it."""
    return tuple(ChannelInfo(c["label"], c["unit"], c["sample_rate_hz"]) for c in recording.channels)
