"""WFDB records: a zip with one header (``.hea``), its signal files and perhaps annotations (``.atr``)."""

from __future__ import annotations

import shutil
import tempfile
import warnings
import weakref
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from .hashing import sha256_of
from .signals import MAX_SAMPLES, Annotation, Channel, ChannelInfo, RecordingError, Signals
from .wfdb_header import WfdbHeader, _check_wfdb_header

_MAX_ENTRIES = 64
_MAX_HEADER_BYTES = 1_000_000
_MAX_RATIO = 100  # recorded signals shrink five- to twentyfold; only a bomb shrinks a hundredfold
_SMALL = 8_000_000  # too little to hurt, whatever the ratio
# The end of a zip says how long its list of files is; a list this long is no record's, and is not read.
_END, _END_BYTES, _MAX_LIST_BYTES = b"PK\x05\x06", 65_557, 1_000_000


class WfdbRecording:
    """A WFDB record, unpacked beside and read in pieces.

    Parameters
    ----------
    path
        The zip; its header is checked before anything else is unpacked.

    Raises
    ------
    RecordingError
        Where the zip is damaged, holds no single record, or its contents claim more than they hold.
    """

    format = "WFDB"
    start_s = 0.0
    gaps: tuple[tuple[float, float], ...] = ()

    def __init__(self, path: Path) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="wfdb-"))
        self._cleared = weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        with _opened(path) as archive:
            self._header = _unpack(archive, self._folder)
        if self._header.in_pieces:
            record = self._record(0, 1)
            length = self._header.samples
        else:  # what stands before a stretch is needed to read it, or its length is known at the end only
            record = self._whole = self._record(0, None)
            length = record.sig_len
        if not length:
            raise RecordingError("The WFDB record holds no samples.")
        self._rate, self._length = float(record.fs), int(length)
        self._frames = tuple(record.samps_per_frame)
        self.channels = tuple(
            ChannelInfo(label or f"signal {i + 1}", unit, self._rate * frames)
            for i, (label, unit, frames) in enumerate(zip(record.sig_name, record.units, self._frames, strict=True))
        )
        self.duration_s = round(self._length / self._rate, 9)
        self.started_at = record.base_datetime
        self.annotations = self._marks()
        self._counted, self._invalid = 0, [0] * len(self.channels)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a user should see; samples marked as invalid are counted as they are read."""
        gains = [
            f"'{label}' has no gain in the WFDB header; the format's default of 200 units per mV was used."
            for label in self._header.uncalibrated
        ]
        invalid = [
            f"'{channel.label}' has {count} samples marked as invalid in the WFDB record."
            for channel, count in zip(self.channels, self._invalid, strict=True)
            if count
        ]
        return (*gains, *invalid)

    def read(
        self, start_s: float | None = None, end_s: float | None = None, labels: Sequence[str] | None = None
    ) -> tuple[Channel, ...]:
        """Samples from ``start_s`` up to ``end_s`` (s; to the record's ends where None), by whole frames."""
        first = 0 if start_s is None else min(self._length, max(0, round(start_s * self._rate)))
        last = self._length if end_s is None else min(self._length, max(first, round(end_s * self._rate)))
        if (last - first) * sum(self._frames) > MAX_SAMPLES:
            raise RecordingError("The WFDB record is too long to be decoded at once; split it.")
        parts = [np.empty(0)] * len(self.channels) if first == last else self._samples(first, last)
        if labels is None and first == self._counted:
            self._invalid = [n + int(np.isnan(one).sum()) for n, one in zip(self._invalid, parts, strict=True)]
            self._counted = last
        return tuple(
            Channel(info.label, info.unit, info.sample_rate_hz, samples)
            for info, samples in zip(self.channels, parts, strict=True)
            if labels is None or info.label in labels
        )

    def _samples(self, first: int, last: int) -> list[Any]:
        if self._header.in_pieces:
            return [np.asarray(one, dtype=np.float64) for one in self._record(first, last).e_p_signal]
        return [
            np.asarray(one[first * frames : last * frames], dtype=np.float64)
            for one, frames in zip(self._whole.e_p_signal, self._frames, strict=True)
        ]

    def _record(self, first: int, last: int | None) -> Any:
        import wfdb

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            name = str(self._folder / self._header.record)
            return wfdb.rdrecord(name, sampfrom=first, sampto=last, smooth_frames=False)

    def _marks(self) -> tuple[Annotation, ...]:
        if not (self._folder / f"{self._header.record}.atr").exists():
            return ()
        import wfdb

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            marks = wfdb.rdann(str(self._folder / self._header.record), "atr")
        return tuple(
            Annotation(float(at) / self._rate, None, text)
            for at, note in zip(marks.sample, marks.aux_note, strict=True)
            if (text := note.strip("\x00 "))
        )


def _read_wfdb(path: Path) -> Signals:
    """Decode the record in a zip whole.

    Raises
    ------
    RecordingError
        As :class:`WfdbRecording`, or where it is too long to be decoded at once.
    """
    recording = WfdbRecording(path)
    return Signals(
        channels=recording.read(),
        annotations=recording.annotations,
        format=recording.format,
        duration_s=recording.duration_s,
        sha256=sha256_of(path),
        started_at=recording.started_at,
        notes=recording.notes,
    )


def _read_zipped_header(path: Path) -> WfdbHeader:
    """Read and check the header alone; no signal file is unpacked.

    Raises
    ------
    RecordingError
        As :class:`WfdbRecording`.
    """
    with _opened(path) as archive:
        return _header(archive, _entries(archive))


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(0, size - _END_BYTES))
        tail = file.read()
        at = tail.rfind(_END)
        if at >= 0 and int.from_bytes(tail[at + 12 : at + 16], "little") > _MAX_LIST_BYTES:
            raise RecordingError(f"The zip holds more than {_MAX_ENTRIES} files; one WFDB record is expected.")
    try:
        with path.open("rb") as file, zipfile.ZipFile(file) as archive:
            yield archive
    except (zipfile.BadZipFile, EOFError, NotImplementedError) as error:
        raise RecordingError("The zip file is damaged or cut short.") from error


def _entries(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    entries = {Path(info.filename).name: info for info in archive.infolist() if not info.is_dir()}
    if len(archive.infolist()) > _MAX_ENTRIES:
        raise RecordingError(f"The zip holds more than {_MAX_ENTRIES} files; one WFDB record is expected.")
    if any(info.flag_bits & 1 for info in entries.values()):
        raise RecordingError("The zip is protected by a password.")
    size = sum(info.file_size for info in entries.values())
    if size > _SMALL and size > _MAX_RATIO * sum(info.compress_size for info in entries.values()):
        raise RecordingError("The zip unpacks to far more than a recording would; it was not opened.")
    return entries


def _header(archive: zipfile.ZipFile, entries: dict[str, zipfile.ZipInfo]) -> WfdbHeader:
    headers = [name for name in entries if name.endswith(".hea") and not name.startswith(".")]
    if len(headers) != 1:
        raise RecordingError(
            "The zip holds no WFDB header (.hea)."
            if not headers
            else f"The zip holds {len(headers)} WFDB headers; put one record into each zip."
        )
    if entries[headers[0]].file_size > _MAX_HEADER_BYTES:
        raise RecordingError("The WFDB header is too long to be one.")
    text = archive.read(entries[headers[0]]).decode("utf-8", "replace")
    header = _check_wfdb_header(text, {name: info.file_size for name, info in entries.items()})
    if f"{header.record}.hea" != headers[0]:
        raise RecordingError(f"The WFDB header {headers[0]} describes another record, '{header.record[:40]}'.")
    return header


def _unpack(archive: zipfile.ZipFile, folder: Path) -> WfdbHeader:
    entries = _entries(archive)
    header = _header(archive, entries)
    marks = f"{header.record}.atr"
    if marks in entries and entries[marks].file_size > _MAX_HEADER_BYTES:
        raise RecordingError("The WFDB annotation file is too long to be one.")
    for name in (f"{header.record}.hea", *header.files, marks):
        if name in entries:
            with archive.open(entries[name]) as source, (folder / name).open("wb") as target:
                if name.endswith(".hea"):
                    # Comments say who the patient is; nothing is read from them.
                    target.writelines(line for line in source if not line.lstrip().startswith(b"#"))
                    continue
                shutil.copyfileobj(source, target, 1 << 20)
    return header
