"""Any recording, by its content: the name of a file says nothing about what is in it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from .csv_file import CsvRecording, _read_csv
from .edf import EdfRecording, read_edf
from .signals import Annotation, Channel, ChannelInfo, RecordingError, Signals, _refuse_duration

_KINDS = "EDF or EDF+, CSV, a zip with a WFDB record, a DICOM waveform, or HL7 aECG"
_WFDB_HEADER_LINE = re.compile(rb"^[ \t]*[\w-]+(/\d+)?[ \t]+\d+[ \t]+[\d.]+", re.MULTILINE)


class Recording(Protocol):
    """An open recording: what it holds, and any part of it on demand. Times in s."""

    @property
    def channels(self) -> tuple[ChannelInfo, ...]: ...
    @property
    def annotations(self) -> tuple[Annotation, ...]: ...
    @property
    def format(self) -> str: ...
    @property
    def duration_s(self) -> float: ...
    @property
    def start_s(self) -> float: ...
    @property
    def started_at(self) -> datetime | None: ...
    @property
    def gaps(self) -> tuple[tuple[float, float], ...]: ...
    @property
    def notes(self) -> tuple[str, ...]: ...

    def read(
        self, start_s: float | None = None, end_s: float | None = None, labels: Sequence[str] | None = None
    ) -> tuple[Channel, ...]:
        """Samples from ``start_s`` up to ``end_s`` of the channels with these labels (all where None)."""
        ...


@dataclass(frozen=True)
class DecodedRecording:
    """The same access to a recording that had to be decoded whole (CSV, WFDB, DICOM, aECG)."""

    signals: Signals

    @property
    def channels(self) -> tuple[ChannelInfo, ...]:
        return tuple(ChannelInfo(c.label, c.unit, c.sample_rate_hz) for c in self.signals.channels)

    @property
    def annotations(self) -> tuple[Annotation, ...]:
        return self.signals.annotations

    @property
    def format(self) -> str:
        return self.signals.format

    @property
    def duration_s(self) -> float:
        return self.signals.duration_s

    @property
    def start_s(self) -> float:
        return self.signals.start_s

    @property
    def started_at(self) -> datetime | None:
        return self.signals.started_at

    @property
    def gaps(self) -> tuple[tuple[float, float], ...]:
        return self.signals.gaps

    @property
    def notes(self) -> tuple[str, ...]:
        return self.signals.notes

    def read(
        self, start_s: float | None = None, end_s: float | None = None, labels: Sequence[str] | None = None
    ) -> tuple[Channel, ...]:
        parts = []
        for channel in self.signals.channels:
            if labels is not None and channel.label not in labels:
                continue
            rate, size = channel.sample_rate_hz, len(channel.samples)
            first = 0 if start_s is None else max(0, round((start_s - self.start_s) * rate))
            last = size if end_s is None else min(size, max(first, round((end_s - self.start_s) * rate)))
            parts.append(Channel(channel.label, channel.unit, rate, channel.samples[first:last]))
        return tuple(parts)


def open_recording(path: Path | str) -> Recording:
    """Open a recording for reading in pieces; an EDF file is not decoded until a piece is asked for.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Recording
        Open; its pieces are read on demand.

    Raises
    ------
    RecordingError
        As `read_recording`.
    """
    path = Path(path) if isinstance(path, str) else path
    if _kind_of(path) == "EDF":
        return _guarded(EdfRecording, path)
    return DecodedRecording(read_recording(path))


def open_for_storing(path: Path | str) -> Recording | CsvRecording:
    """Open a recording for being read once from start to end, in pieces where its format allows.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Recording or CsvRecording
        A CSV file says its rate and length only when all its pieces were read.

    Raises
    ------
    RecordingError
        As `read_recording`; of a CSV file also while its pieces are read.
    """
    path = Path(path) if isinstance(path, str) else path
    kind = _kind_of(path)
    if kind == "CSV":
        return _guarded(CsvRecording, path)
    if kind == "WFDB":
        from .wfdb_file import WfdbRecording

        return _guarded(WfdbRecording, path)
    return open_recording(path)


def read_recording(path: Path | str) -> Signals:
    """Decode a recording whole.

    Parameters
    ----------
    path
        EDF or EDF+, CSV, a zip with a WFDB record, a DICOM waveform or HL7 aECG; told apart by content.

    Returns
    -------
    Signals
        Channels in physical units, annotations, and where they came from.

    Raises
    ------
    RecordingError
        Where the file is missing, none of these, damaged, cut short, or claims more than it holds.
    """
    path = Path(path) if isinstance(path, str) else path
    kind = _kind_of(path)
    if kind == "EDF":
        return _guarded(read_edf, path)
    if kind == "WFDB":
        from .wfdb_file import _read_wfdb

        return _guarded(_read_wfdb, path)
    if kind == "DICOM":
        from .dicom_file import _read_dicom

        return _guarded(_read_dicom, path)
    if kind == "XML":
        from .aecg_file import _read_aecg

        return _guarded(_read_aecg, path)
    return _guarded(_read_csv, path)


def _guarded(reader, path: Path):  # type: ignore[no-untyped-def]  # passes the reader's own type through
    """Call a reader with a file.

    Parameters
    ----------
    reader
        A function or class that takes the file.
    path
        The file.

    Returns
    -------
    object
        What the reader returns.

    Raises
    ------
    RecordingError
        As :func:`_guarding`.
    """
    with _guarding(path.name):
        opened = reader(path)
        if opened.duration_s is not None:
            _refuse_duration(opened.duration_s)
        return opened


@contextmanager
def _guarding(name: str) -> Iterator[None]:
    """Turn any error of a format library into a sentence: a file can be damaged in more ways than one foresees.

    Parameters
    ----------
    name
        Of the file, for the sentence.

    Raises
    ------
    RecordingError
        Instead of anything else.
    """
    try:
        yield
    except RecordingError:
        raise
    except OSError as error:
        if error.strerror is None:  # a library's own complaint, not the system's
            raise RecordingError(f"The file {name} is damaged or cut short.") from error
        raise RecordingError(f"The file {name} cannot be read: {error.strerror}.") from error
    except Exception as error:
        raise RecordingError(f"The file {name} is damaged and cannot be read.") from error


def _kind_of(path: Path) -> str:
    """Tell the kind of a file by its first bytes.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    str
        ``"EDF"``, ``"WFDB"`` (a zip), ``"DICOM"``, ``"XML"``, and otherwise ``"CSV"``.

    Raises
    ------
    RecordingError
        Where it is known to be something else, or cannot be opened.
    """
    if not path.exists():
        raise RecordingError(f"There is no file {path.name}.")
    if not path.is_file():
        raise RecordingError(f"{path.name} is not a file.")
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as error:
        raise RecordingError(f"The file {path.name} cannot be read: {error.strerror}.") from error
    if not head.strip():
        raise RecordingError(f"The file {path.name} is empty.")
    if head.startswith(b"0       "):
        return "EDF"
    if head.startswith(b"PK\x03\x04"):
        return "WFDB"
    if head[128:132] == b"DICM":
        return "DICOM"
    if head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<"):
        return "XML"
    if head.startswith(b"\xffBIOSEMI"):
        raise RecordingError("This is a 24-bit BDF file, which cannot be read here; convert it to EDF+.")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise RecordingError("The file is UTF-16 text; save the CSV file as UTF-8.")
    if b"\x00" in head:
        raise RecordingError(f"The file {path.name} is not a recording of a known kind ({_KINDS}).")
    if path.suffix == ".hea" or (b"," not in head and _WFDB_HEADER_LINE.match(head)):
        raise RecordingError("This is a WFDB header alone; put it and its signal file into one zip.")
    return "CSV"
