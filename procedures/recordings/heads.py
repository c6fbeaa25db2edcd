"""What a file says of itself in its head: a bounded look, however long the file is.

A web request looks no further. Whether the rest of the file is as its head says is found when it is read.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from . import aecg_file, dicom_file
from .clock import _moment_of
from .csv_file import CsvRecording
from .dicom_file import _refuse_many_items
from .edf_header import _read_edf_header
from .reading import _guarded, _kind_of
from .signals import ChannelInfo, RecordingError

_HEAD_BYTES = 1_000_000
_AECG_HEAD = re.compile(rb"<(?:\w+:)?head\b[^>]*\bvalue\s*=\s*[\"'](\d{14})")


@dataclass(frozen=True)
class Head:
    """What is known of a recording before it is read.

    Attributes
    ----------
    format
        As of :class:`procedures.recordings.Signals`.
    channels
        Empty where only reading tells.
    duration_s, start_s
        Length, s, and time of the first sample on the file's own axis; None where only reading tells.
    started_at
        Wall-clock start as the file gives it, or None.
    """

    format: str
    channels: tuple[ChannelInfo, ...] = ()
    duration_s: float | None = None
    start_s: float = 0.0
    started_at: datetime | None = None

    @property
    def samples(self) -> float | None:
        """How many samples all channels have together; None where only reading tells."""
        if self.duration_s is None:
            return None
        return self.duration_s * sum(channel.sample_rate_hz for channel in self.channels)


def read_head(path: Path) -> Head:
    """Look at the head of a file.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Head
        What it says.

    Raises
    ------
    RecordingError
        Where the file is empty, of no known kind, or its head is already wrong.
    """
    readers: dict[str, Callable[[Path], Head]] = {"EDF": _edf, "WFDB": _wfdb, "DICOM": _dicom, "XML": _aecg}
    head: Head = _guarded(readers.get(_kind_of(path), _csv), path)
    return head


def _edf(path: Path) -> Head:
    header = _read_edf_header(path)
    return Head(
        format="EDF+" if header.is_plus else "EDF",
        channels=tuple(
            ChannelInfo(one.label, one.unit, round(one.samples_per_record / header.record_s, 9))
            for one in header.signals
            if not one.is_annotations
        ),
        # With pauses, the last record says when it ends.
        duration_s=None if header.is_discontinuous else round(header.records * header.record_s, 9),
        started_at=header.started_at,
    )


def _wfdb(path: Path) -> Head:

    from .wfdb_file import _read_zipped_header

    header = _read_zipped_header(path)
    return Head(
        format="WFDB",
        channels=header.channels,
        duration_s=round(header.samples / header.rate_hz, 9) if header.samples else None,
        started_at=header.started_at,
    )


def _csv(path: Path) -> Head:
    recording = CsvRecording(path)
    return Head(format="CSV", channels=recording.channels, start_s=recording.start_s)


def _dicom(path: Path) -> Head:
    import pydicom

    if path.stat().st_size > dicom_file.MAX_BYTES:
        raise RecordingError(dicom_file.TOO_LARGE)
    _refuse_many_items(path)
    with path.open("rb") as file:
        head = io.BytesIO(file.read(_HEAD_BYTES))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.filereader.read_partial(head, lambda tag, vr, length: tag > dicom_file.TAKEN_AT)
    return Head(format="DICOM", started_at=_moment_of(str(dataset.get("AcquisitionDateTime") or "")))


def _aecg(path: Path) -> Head:
    if path.stat().st_size > aecg_file.MAX_BYTES:
        raise RecordingError(aecg_file.TOO_LARGE)
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if b"AnnotatedECG" not in head:
        raise RecordingError(aecg_file.NO_AECG)
    begun = _AECG_HEAD.search(head)
    return Head(format="aECG", started_at=_moment_of(begun[1].decode()) if begun else None)
