"""WFDB records: a zip with one header (``.hea``), its signal files and perhaps annotations (``.atr``)."""

from __future__ import annotations

import tempfile
import warnings
import zipfile
from pathlib import Path

import numpy as np

from .hashing import sha256_of
from .signals import Annotation, Channel, RecordingError, Signals
from .wfdb_header import WfdbHeader, check_wfdb_header

_MAX_ENTRIES = 64
_MAX_HEADER_BYTES = 1_000_000
_MAX_RATIO = 100  # recorded signals shrink five- to twentyfold; only a bomb shrinks a hundredfold
_SMALL = 8_000_000  # too little to hurt, whatever the ratio


def read_wfdb(path: Path) -> Signals:
    """Decode the record in a zip.

    Raises
    ------
    RecordingError
        Where the zip is damaged, holds no single record, or its contents claim more than they hold.
    """
    try:
        with zipfile.ZipFile(path) as archive, tempfile.TemporaryDirectory() as folder:
            header = _unpack(archive, Path(folder))
            return _decode(path, Path(folder), header)
    except (zipfile.BadZipFile, EOFError, NotImplementedError) as error:
        raise RecordingError("The zip file is damaged or cut short.") from error


def _unpack(archive: zipfile.ZipFile, folder: Path) -> WfdbHeader:
    entries = {Path(info.filename).name: info for info in archive.infolist() if not info.is_dir()}
    if len(archive.infolist()) > _MAX_ENTRIES:
        raise RecordingError(f"The zip holds more than {_MAX_ENTRIES} files; one WFDB record is expected.")
    if any(info.flag_bits & 1 for info in entries.values()):
        raise RecordingError("The zip is protected by a password.")
    size = sum(info.file_size for info in entries.values())
    if size > _SMALL and size > _MAX_RATIO * sum(info.compress_size for info in entries.values()):
        raise RecordingError("The zip unpacks to far more than a recording would; it was not opened.")
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
    header = check_wfdb_header(text, {name: info.file_size for name, info in entries.items()})
    if f"{header.record}.hea" != headers[0]:
        raise RecordingError(f"The WFDB header {headers[0]} describes another record, '{header.record[:40]}'.")
    marks = f"{header.record}.atr"
    if marks in entries and entries[marks].file_size > _MAX_HEADER_BYTES:
        raise RecordingError("The WFDB annotation file is too long to be one.")
    for name in (headers[0], *header.files, marks):
        if name in entries:
            (folder / name).write_bytes(archive.read(entries[name]))
    return header


def _decode(path: Path, folder: Path, header: WfdbHeader) -> Signals:
    import wfdb

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        record = wfdb.rdrecord(str(folder / header.record), smooth_frames=False)
        annotations: tuple[Annotation, ...] = ()
        if (folder / f"{header.record}.atr").exists():
            marks = wfdb.rdann(str(folder / header.record), "atr")
            annotations = tuple(
                Annotation(float(at) / float(record.fs), None, text)
                for at, note in zip(marks.sample, marks.aux_note, strict=True)
                if (text := note.strip("\x00 "))
            )
    channels = tuple(
        Channel(label or f"signal {i + 1}", unit, float(record.fs) * frames, np.asarray(samples, dtype=np.float64))
        for i, (label, unit, frames, samples) in enumerate(
            zip(record.sig_name, record.units, record.samps_per_frame, record.e_p_signal, strict=True)
        )
    )
    if not record.sig_len:
        raise RecordingError("The WFDB record holds no samples.")
    notes = [
        f"'{label}' has no gain in the WFDB header; the format's default of 200 units per mV was used."
        for label in header.uncalibrated
    ]
    for channel in channels:
        if missing := int(np.isnan(channel.samples).sum()):
            notes.append(f"'{channel.label}' has {missing} samples marked as invalid in the WFDB record.")
    return Signals(
        channels=channels,
        annotations=annotations,
        format="WFDB",
        duration_s=round(record.sig_len / float(record.fs), 9),
        sha256=sha256_of(path),
        started_at=record.base_datetime,
        notes=tuple(notes),
    )
