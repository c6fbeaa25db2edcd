"""Writing the stored form of a recording: whole from a file, or piece by piece while it grows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .csv_file import CsvRecording
from .object_store import _signal_store
from .reading import Recording, _guarding
from .signals import Annotation, Channel, ChannelInfo
from .stored import CHUNK_SAMPLES, CHUNK_STRETCHES, LAYOUT, LEVELS

#: Read and written at a time: two chunks at 1000 Hz, and whole chunks or halves at 500 and 250 Hz.
PART_S = 131.072
#: Most values read at a time, 64 MB: shorter parts where there are many channels or fast ones.
PART_VALUES = 2**23
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
            parts = [c for c in described if c["label"] in labels]
            if len(parts) < 2 or len({c["group"] for c in parts}) > 1:
                continue
            group = parts[0]["group"]
            row = len(self._members[group]) + len(self._sums[group])
            self._sums[group].append([c["row"] for c in parts])
            summed.append({"labels": list(labels), "rate": parts[0]["rate"], "group": group, "row": row})
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

    def append(self, parts: Sequence[Channel]) -> None:
        """Write what follows, one part a channel in the order they were named; parts of one rate are of one length."""
        for group, members in enumerate(self._members):
            table = np.stack([np.asarray(parts[i].samples, dtype=np.float64) for i in members])
            samples, old = self._samples[group], self._head["lengths"][group]
            new = old + table.shape[1]
            samples.resize((len(members), new))
            samples[:, old:new] = table
            for size, overview in zip(LEVELS, self._overviews[group], strict=True):
                # The last stretch may have been begun before: it is made again from its first sample.
                begin = old // size
                known = np.asarray(samples[:, begin * size : old]) if old > begin * size else table[:, :0]
                _extend(overview, begin, size, self._with_sums(group, np.concatenate((known, table), axis=1)))
            self._head["lengths"][group] = new
        rates = [parts[members[0]].sample_rate_hz for members in self._members]
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

    def _with_sums(self, group: int, table: NDArray[np.float64]) -> NDArray[np.float64]:
        sums = [table[rows].sum(axis=0, keepdims=True) for rows in self._sums[group]]
        return np.concatenate((table, *sums), axis=0)

    def _say(self) -> None:
        """Last of all: a reader believes the lengths that stand here, not the size of an array."""
        self._group.attrs["recording"] = self._head


def _extend(overview: Any, begin: int, size: int, table: NDArray[np.float64]) -> None:
    if not table.shape[1]:
        return
    edges = np.arange(0, table.shape[1], size)
    stretches = np.stack((np.fmin.reduceat(table, edges, axis=1), np.fmax.reduceat(table, edges, axis=1)))
    end = begin + edges.size
    overview.resize((2, table.shape[0], end))
    overview[:, :, begin:end] = stretches


def store_signals(
    recording: Recording | CsvRecording,
    place: str | Path,
    *,
    sha256: str,
    sums: Sequence[Sequence[str]] = (),
    key: bytes | None = None,
    tell: Tell | None = None,
) -> None:
    """Write the stored form of a whole recording, a part at a time.

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
    for share, parts in recording.parts() if isinstance(recording, CsvRecording) else _parts_of(recording):
        writer.append(parts)
        if tell:
            tell(share)
    writer.finish(
        duration_s=recording.duration_s,
        rate_hz=recording.rate_hz if isinstance(recording, CsvRecording) else None,
        annotations=recording.annotations,
        gaps=recording.gaps,
        notes=recording.notes,
    )


def _parts_of(recording: Recording) -> Iterator[tuple[float, tuple[Channel, ...]]]:
    per_second = sum(channel.sample_rate_hz for channel in recording.channels)
    part_s = min(PART_S, max(PART_VALUES / per_second, 1.0))
    parts = max(1, int(np.ceil(recording.duration_s / part_s)))
    for part in range(parts):
        begin = recording.start_s + part * part_s
        end = None if part == parts - 1 else recording.start_s + (part + 1) * part_s
        with _guarding("of this recording"):
            read = recording.read(begin, end)
        yield (part + 1) / parts, read
