"""Writing the stored form of a recording: whole from a file, or piece by piece while it grows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from .csv_file import CsvRecording
from .object_store import _signal_store
from .reading import Recording, _guarding
from .signals import Annotation, Channel, ChannelInfo
from .stored import CHUNK_SAMPLES, CHUNK_STRETCHES, LAYOUT, LEVELS, Floats

#: Read and written at a time: two chunks at 1000 Hz, and whole chunks or halves at 500 and 250 Hz.
PIECE_S = 131.072
#: Most values read at a time, 64 MB: shorter pieces where there are many channels or fast ones.
PIECE_VALUES = 2**23
#: Called with the share done, 0 to 1.
Tell = Callable[[float], None]


class SignalWriter:
    """Writes a stored form. What was appended can be read at once; :meth:`finish` says that nothing more comes.

    Parameters
    ----------
    place, key
        As of :func:`procedures.recordings.object_store.signal_store`; a form that lies there is replaced.
    channels
        What will be appended, in this order.
    sums
        Labels of channels of one rate that are drawn as their sum; groups that cannot be summed are passed over.
    """

    def __init__(
        self,
        place: str | Path,
        channels: Sequence[ChannelInfo],
        *,
        format: str,
        sha256: str,
        start_s: float = 0.0,
        started_at: datetime | None = None,
        sums: Sequence[Sequence[str]] = (),
        key: bytes | None = None,
    ) -> None:
        import zarr
        from zarr.codecs import BloscCodec, Crc32cCodec

        self._group = zarr.create_group(_signal_store(place, key=key), overwrite=True, zarr_format=3)
        rates = list(dict.fromkeys(channel.sample_rate_hz for channel in channels))
        self._members = [[i for i, c in enumerate(channels) if c.sample_rate_hz == rate] for rate in rates]
        described: list[dict[str, Any]] = []
        for channel in channels:
            group = rates.index(channel.sample_rate_hz)
            row = sum(other["group"] == group for other in described)
            described.append(
                {
                    "label": channel.label,
                    "unit": channel.unit,
                    "rate": channel.sample_rate_hz,
                    "group": group,
                    "row": row,
                }
            )
        self._sums: list[list[list[int]]] = [[] for _ in rates]  # of each rate: the rows that make each sum
        summed = []
        for labels in sums:
            summands = [c for c in described if c["label"] in labels]
            if len(summands) < 2 or len({c["group"] for c in summands}) > 1:
                continue
            group = summands[0]["group"]
            row = len(self._members[group]) + len(self._sums[group])
            self._sums[group].append([c["row"] for c in summands])
            summed.append({"labels": list(labels), "rate": summands[0]["rate"], "group": group, "row": row})
        options: dict[str, Any] = {
            "dtype": "float64",
            "fill_value": np.nan,
            "compressors": [BloscCodec(cname="zstd", clevel=1, shuffle="shuffle"), Crc32cCodec()],
            # Also what is NaN throughout: an object that is not there means loss.
            "config": {"write_empty_chunks": True},
        }
        self._samples, self._overviews = [], []
        for group, members in enumerate(self._members):
            self._samples.append(
                self._group.create_array(
                    f"samples{group}", shape=(len(members), 0), chunks=(1, CHUNK_SAMPLES), **options
                )
            )
            rows = len(members) + len(self._sums[group])
            self._overviews.append(
                [
                    self._group.create_array(
                        f"overview{group}/{size}", shape=(2, rows, 0), chunks=(2, 1, CHUNK_STRETCHES), **options
                    )
                    for size in LEVELS
                ]
            )
        self._head: dict[str, Any] = {
            "layout": LAYOUT,
            "format": format,
            "sha256": sha256,
            "start_s": start_s,
            "started_at": started_at.isoformat() if started_at else None,
            "channels": described,
            "sums": summed,
            "lengths": [0 for _ in rates],
            "duration_s": 0.0,
            "gaps": [],
            "notes": [],
            "complete": False,
        }
        self._marks = self._group.create_group("marks")
        self._marks.attrs["annotations"] = []
        self._say()

    def append(self, pieces: Sequence[Channel]) -> None:
        """Write what follows, a piece of each channel in their order; those of one rate are of one length."""
        for group, members in enumerate(self._members):
            old = self._head["lengths"][group]
            new = old + len(pieces[members[0]].samples)
            self._grow(group, new)
            # Row by row: a whole piece at once pushes what other processes work with out of the processor's caches.
            for row, member in enumerate(members):
                values = np.asarray(pieces[member].samples, dtype=np.float64)
                self._samples[group][row, old:new] = values
                self._outline(group, row, old, values, [row])
            for row, rows in enumerate(self._sums[group], start=len(members)):
                values = np.asarray(np.sum([pieces[members[one]].samples for one in rows], axis=0, dtype=np.float64))
                self._outline(group, row, old, values, rows)
            self._head["lengths"][group] = new
        rates = [pieces[members[0]].sample_rate_hz for members in self._members]
        lengths = zip(self._head["lengths"], rates, strict=True)
        self._head["duration_s"] = round(max(length / rate for length, rate in lengths), 9)
        self._say()

    def finish(
        self,
        *,
        duration_s: float | None = None,
        rate_hz: float | None = None,
        annotations: Sequence[Annotation] = (),
        gaps: Sequence[tuple[float, float]] = (),
        notes: Sequence[str] = (),
    ) -> None:
        """Say that the recording has ended, and what belongs to the whole of it.

        ``rate_hz``: of all channels, where it is known for certain at the end only.
        """
        if rate_hz is not None:
            for row in (*self._head["channels"], *self._head["sums"]):
                row["rate"] = rate_hz
        self._marks.attrs["annotations"] = [[a.onset_s, a.duration_s, a.text] for a in annotations]
        self._head |= {"gaps": [list(gap) for gap in gaps], "notes": list(notes), "complete": True}
        if duration_s is not None:
            self._head["duration_s"] = duration_s
        self._say()

    def _grow(self, group: int, length: int) -> None:
        self._samples[group].resize((len(self._members[group]), length))
        rows = len(self._members[group]) + len(self._sums[group])
        for size, overview in zip(LEVELS, self._overviews[group], strict=True):
            overview.resize((2, rows, -(-length // size)))

    def _outline(self, group: int, row: int, old: int, values: Floats, summed: list[int]) -> None:
        """Write the lowest and highest values of what was appended to one row: of one channel, or of a sum."""
        if not values.size:
            return
        for size, overview in zip(LEVELS, self._overviews[group], strict=True):
            begin = old // size
            # The last stretch may have been begun before: it is made again from its first sample.
            known = [np.asarray(self._samples[group][one, begin * size : old]) for one in summed]
            stretches = _extremes(np.concatenate((np.sum(known, axis=0), values)) if known[0].size else values, size)
            overview[:, row, begin : begin + stretches.shape[1]] = stretches

    def _say(self) -> None:
        """Last of all: a reader believes the lengths that stand here, not the size of an array."""
        self._group.attrs["recording"] = self._head


def _extremes(values: Floats, size: int) -> Floats:
    edges = np.arange(0, values.size, size)
    return np.stack((np.fmin.reduceat(values, edges), np.fmax.reduceat(values, edges)))


def store_signals(
    recording: Recording | CsvRecording,
    place: str | Path,
    *,
    sha256: str,
    sums: Sequence[Sequence[str]] = (),
    key: bytes | None = None,
    tell: Tell | None = None,
) -> None:
    """Write the stored form of a whole recording, a piece at a time.

    Parameters
    ----------
    recording
        The recording, open for reading.
    place
        A folder, or the URL of one in an object storage.
    sha256
        Hash of the original file, hexadecimal; kept with the signals.
    sums
        Labels of the channels of each sum that gets an overview of its own.
    key
        32 bytes under which every object is encrypted; None: objects are as they are.
    tell
        Told how far it is, after each part.

    Raises
    ------
    RecordingError
        Where the recording cannot be decoded.
    OSError
        Where there is no room, or it may not be written.
    """
    import zarr

    # One object at a time: the other processors are for those who wait at the bedside.
    with zarr.config.set({"async.concurrency": 1}):
        writer = SignalWriter(
            place,
            recording.channels,
            format=recording.format,
            sha256=sha256,
            start_s=recording.start_s,
            started_at=recording.started_at,
            sums=sums,
            key=key,
        )
        for share, pieces in recording.pieces() if isinstance(recording, CsvRecording) else _pieces_of(recording):
            writer.append(pieces)
            if tell:
                tell(share)
        writer.finish(
            duration_s=recording.duration_s,
            rate_hz=recording.rate_hz if isinstance(recording, CsvRecording) else None,
            annotations=recording.annotations,
            gaps=recording.gaps,
            notes=recording.notes,
        )


def _pieces_of(recording: Recording) -> Iterator[tuple[float, tuple[Channel, ...]]]:
    per_second = sum(channel.sample_rate_hz for channel in recording.channels)
    piece_s = min(PIECE_S, max(PIECE_VALUES / per_second, 1.0))
    count = max(1, int(np.ceil(recording.duration_s / piece_s)))
    for piece in range(count):
        begin = recording.start_s + piece * piece_s
        end = None if piece == count - 1 else recording.start_s + (piece + 1) * piece_s
        with _guarding("of this recording"):
            read = recording.read(begin, end)
        yield (piece + 1) / count, read
