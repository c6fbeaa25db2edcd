"""The stored form of a recording: decoded once, sliced by window, with an overview for zooming; it may still grow.

Zarr v3. Channels of one sampling rate are the rows of one array; beside it lie, for stretches of 64, 1024 and 16384
samples, the lowest and highest value of each channel and of the sums that are drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .object_store import _signal_store
from .signals import Annotation, Channel, ChannelInfo, RecordingError

#: Increased when stored forms have to be made again.
LAYOUT = 1
#: Samples a stretch of the overview, from fine to coarse.
LEVELS = (64, 1024, 16384)
CHUNK_SAMPLES = 65_536
CHUNK_STRETCHES = 4_096

Floats = NDArray[np.float64]


class StoredRecording:
    """A stored form, opened for reading; the same access as to a file (:class:`procedures.recordings.Recording`).

    Parameters
    ----------
    place, key
        As of :func:`procedures.recordings.object_store.signal_store`.

    Raises
    ------
    RecordingError
        Where there is no stored form, or it cannot be read.
    """

    def __init__(self, place: str | Path, key: bytes | None = None) -> None:
        import zarr

        try:
            self._group = zarr.open_group(
                _signal_store(place, key=key, reading=True), mode="r", zarr_format=3, use_consolidated=False
            )
            head: dict[str, Any] = self._group.attrs["recording"]  # type: ignore[assignment] # what the writer put there
        except (FileNotFoundError, KeyError, ValueError) as error:
            if isinstance(error, RecordingError):
                raise
            raise RecordingError("The stored signals of this recording cannot be read.") from error
        if head["layout"] != LAYOUT:
            raise RecordingError("The stored signals of this recording have to be made again.")
        self._head = head
        self.format: str = head["format"]
        self.sha256: str = head["sha256"]
        self.start_s: float = head["start_s"]
        self.duration_s: float = head["duration_s"]
        self.complete: bool = head["complete"]
        self.started_at = datetime.fromisoformat(head["started_at"]) if head["started_at"] else None
        self.gaps: tuple[tuple[float, float], ...] = tuple((a, b) for a, b in head["gaps"])
        self.notes: tuple[str, ...] = tuple(head["notes"])
        self.channels = tuple(ChannelInfo(c["label"], c["unit"], c["rate"]) for c in head["channels"])

    @cached_property
    def annotations(self) -> tuple[Annotation, ...]:
        """Texts at times of the recording; read when asked for, since there may be very many."""
        marks: Any = self._array("marks").attrs["annotations"]
        return tuple(Annotation(onset, duration, text) for onset, duration, text in marks)

    def read(
        self, start_s: float | None = None, end_s: float | None = None, labels: Sequence[str] | None = None
    ) -> tuple[Channel, ...]:
        """Samples from ``start_s`` up to ``end_s`` (s on the file's axis) of the channels with these labels."""
        parts = []
        for info, where in zip(self.channels, self._head["channels"], strict=True):
            if labels is not None and info.label not in labels:
                continue
            first, last = self._range(where["group"], info.sample_rate_hz, start_s, end_s)
            samples = self._values(f"samples{where['group']}", (where["row"], slice(first, last)))
            parts.append(Channel(info.label, info.unit, info.sample_rate_hz, samples))
        return tuple(parts)

    def overview(self, labels: Sequence[str], start_s: float, end_s: float, stretches: int) -> Overview | None:
        """Extremes of stretches of a channel, or of the sum of several.

        Parameters
        ----------
        labels
            One channel, or those that are summed.
        start_s, end_s
            The part wanted, s on the file's own axis.
        stretches
            About so many are wanted.

        Returns
        -------
        Overview or None
            None where the stretches are too short to be met by an overview, or the sum was not prepared: read the
            samples then.
        """
        where = next((row for row in self._rows if row["labels"] == list(labels)), None)
        if where is None:
            return None
        rate = where["rate"]
        wanted = (end_s - start_s) * rate / max(stretches, 1)
        # A drawn stretch is one stored stretch or more, and begins where the times say.
        level = next((size for size in reversed(LEVELS) if size <= wanted), None)
        if level is None:
            return None
        first, last = self._range(where["group"], rate, start_s, end_s)
        begin, stop = first // level, -(-last // level)
        window = (slice(None), where["row"], slice(begin, stop))
        table = self._values(f"overview{where['group']}/{level}", window)
        edges = np.unique(np.arange(stretches) * table.shape[1] // stretches)
        times = self.start_s + (begin + edges) * level / rate
        return Overview(times, np.fmin.reduceat(table[0], edges), np.fmax.reduceat(table[1], edges))

    @cached_property
    def _rows(self) -> list[dict[str, Any]]:
        single = [c | {"labels": [c["label"]]} for c in self._head["channels"]]
        return single + self._head["sums"]

    def _range(self, group: int, rate: float, start_s: float | None, end_s: float | None) -> tuple[int, int]:
        size = self._head["lengths"][group]
        first = 0 if start_s is None else min(size, max(0, round((start_s - self.start_s) * rate)))
        last = size if end_s is None else min(size, max(first, round((end_s - self.start_s) * rate)))
        return first, last

    def _values(self, name: str, window: tuple[Any, ...]) -> Floats:
        array = self._array(name)
        try:
            return np.asarray(array[window], dtype=np.float64)
        except RecordingError:
            raise
        except (ValueError, RuntimeError) as error:  # a checksum that does not fit, or what cannot be unpacked
            raise RecordingError("A part of the stored signals of this recording is damaged.") from error

    def _array(self, name: str) -> Any:
        if name not in self._arrays:
            try:
                self._arrays[name] = self._group[name]
            except KeyError as error:
                raise RecordingError("A part of the stored signals of this recording is missing.") from error
        return self._arrays[name]

    @cached_property
    def _arrays(self) -> dict[str, Any]:
        return {}


class Overview:
    """Lowest and highest value of stretches, and where each begins (s on the file's axis); NaN where all of it is."""

    def __init__(self, times: Floats, lows: Floats, highs: Floats) -> None:
        self.times, self.lows, self.highs = times, lows, highs
