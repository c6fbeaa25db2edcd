"""EDF and EDF+ files: lazy access to a part, and the whole file as one value."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .edf_header import _read_edf_header
from .edf_timeline import _read_timeline
from .hashing import sha256_of
from .signals import MAX_SAMPLES, Channel, ChannelInfo, RecordingError, Signals

#: Pauses longer in total than this and than what was recorded are refused: they would decode to emptiness.
_MAX_PAUSE_S = 600.0


class EdfRecording:
    """An EDF or EDF+ file, opened without decoding it.

    Parameters
    ----------
    path
        The file; its header and the times of its records are checked here.

    Raises
    ------
    RecordingError
        Where the header is wrong or does not fit the file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        header = _read_edf_header(path)
        starts, self.annotations = _read_timeline(header, path)
        self.format = "EDF+" if header.is_plus else "EDF"
        self.started_at = header.started_at
        self.start_s = 0.0
        self.duration_s = round(float(starts[-1] + header.record_s), 9)
        self._stretches = _stretches(starts, header.record_s)
        self.gaps = tuple(
            (end, following)
            for (_, _, end), (following, _, _) in zip(self._stretches, self._stretches[1:], strict=False)
        )
        recorded_s = header.records * header.record_s
        paused_s = self.duration_s - recorded_s
        if paused_s > max(recorded_s, _MAX_PAUSE_S):
            raise RecordingError(
                f"The EDF+ file holds {recorded_s:g} s of signal with pauses of {paused_s:g} s in total; "
                "split it into one file for each stretch."
            )
        self.notes = (
            (
                f"The recording was interrupted {len(self.gaps)} time(s), "
                f"{paused_s:g} s in total; nothing is known of the pauses.",
            )
            if self.gaps
            else ()
        )
        self._header, self._record_bytes = header, 2 * header.record_words
        self._first, self._end = 0, 0
        self._signals: Sequence[Any] = ()
        self.channels = tuple(
            ChannelInfo(signal.label, signal.unit, round(signal.samples_per_record / header.record_s, 9))
            for signal in header.signals
            if not signal.is_annotations
        )

    def _hold(self, first: int, end: int) -> None:
        """Read these data records, in which the library then finds the samples; they replace those held before."""
        import edfio

        first, end = max(0, first), min(self._header.records, end)
        if self._first <= first and end <= self._end:
            return
        with self.path.open("rb") as file:
            head = file.read(self._header.header_bytes)
            file.seek(self._header.header_bytes + first * self._record_bytes)
            records = file.read((end - first) * self._record_bytes)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what the library warns of was refused, or allowed, before
            held = edfio.read_edf(head + records, lazy_load_data=True, header_encoding="latin-1")
        self._first, self._end, self._signals = first, end, held.signals

    def read(
        self, start_s: float | None = None, end_s: float | None = None, labels: Sequence[str] | None = None
    ) -> tuple[Channel, ...]:
        """Decode a part: from ``start_s`` up to ``end_s`` (s; to the file's ends where None).

        Only the channels with the given ``labels``, or all; parts outside the file are left out.
        """
        start = max(0.0, self.start_s if start_s is None else start_s)
        end = min(self.duration_s, self.duration_s if end_s is None else end_s)
        chosen = [i for i, info in enumerate(self.channels) if labels is None or info.label in labels]
        wanted = sum(self.channels[i].sample_rate_hz for i in chosen) * max(0.0, end - start)
        if wanted > MAX_SAMPLES:
            raise RecordingError("The recording is too long to be decoded at once; read it in pieces.")
        records = [
            (stored_s + low - begin_s) / self._header.record_s
            for begin_s, stored_s, stop_s in self._stretches
            if start < stop_s and begin_s < end
            for low in (max(start, begin_s), min(end, stop_s))
        ]
        if records and chosen:
            self._hold(math.floor(min(records)) - 1, math.ceil(max(records)) + 1)
        return tuple(
            Channel(info.label, info.unit, info.sample_rate_hz, self._samples(i, info.sample_rate_hz, start, end))
            for i, info in ((i, self.channels[i]) for i in chosen)
        )

    def _samples(self, index: int, rate: float, start_s: float, end_s: float) -> NDArray[np.float64]:
        first, last = round(start_s * rate), round(end_s * rate)
        if not self.gaps:
            return self._stored(index, first, last, rate)
        samples = np.full(max(0, last - first), np.nan)
        for begin_s, stored_s, stop_s in self._stretches:
            begin, stored, stop = round(begin_s * rate), round(stored_s * rate), round(stop_s * rate)
            low, high = max(first, begin), min(last, stop)
            if low < high:
                samples[low - first : high - first] = self._stored(
                    index, stored + low - begin, stored + high - begin, rate
                )
        return samples

    def _stored(self, index: int, first: int, last: int, rate: float) -> NDArray[np.float64]:
        if last <= first:
            return np.empty(0)
        width = round(rate * self._header.record_s)
        self._hold(first // width, -(-last // width))
        before = self._first * width
        return np.asarray(self._signals[index].data[first - before : last - before])


def _stretches(starts: NDArray[np.float64], record_s: float) -> tuple[tuple[float, float, float], ...]:
    """Unbroken stretches as (start, start in the stored signal, end), s."""
    breaks = np.flatnonzero(np.diff(starts) > record_s * (1 + 1e-6) + 1e-6) + 1
    firsts = np.concatenate(([0], breaks))
    lasts = np.concatenate((breaks, [starts.size])) - 1
    return tuple(
        zip(
            starts[firsts].tolist(),
            (firsts * record_s).tolist(),
            (starts[lasts] + record_s).tolist(),
            strict=True,
        )
    )


def read_edf(path: Path | str) -> Signals:
    """Decode a whole EDF or EDF+ file (C or D; pauses become NaN and are listed in ``gaps``).

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Signals
        Physical values by the header's scale.

    Raises
    ------
    RecordingError
        Where the file is cut short, its header is wrong, or it is too long to be decoded at once.
    """
    path = Path(path) if isinstance(path, str) else path
    recording = EdfRecording(path)
    return Signals(
        channels=recording.read(),
        annotations=recording.annotations,
        format=recording.format,
        duration_s=recording.duration_s,
        sha256=sha256_of(path),
        started_at=recording.started_at,
        gaps=recording.gaps,
        notes=recording.notes,
    )
