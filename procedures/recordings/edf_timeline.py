"""Annotations and pauses of an EDF+ file, from its time-stamped annotation lists (TALs).

Own code because the library gives annotations record by record in Python and hides each record's start,
which is what tells a recording with pauses (EDF+D) from a continuous one.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .edf_header import EdfHeader, EdfSignalHeader
from .signals import Annotation, RecordingError

# onset, duration (optional), texts: "+12.5 0x15 30 0x14 text 0x14 text 0x14 0x00" (EDF+ specification 2.2.2).
# Lists are cut at their zero bytes first, so that no hostile file makes a pattern run over it again and again.
_LIST = re.compile(rb"[^\x00]+")
_TIME = re.compile(rb"([+-][0-9]{1,12}(?:\.[0-9]{0,12})?)(?:\x15([0-9]{1,12}(?:\.[0-9]{0,12})?))?\x14")
_MAX_ANNOTATIONS = 100_000
_BLOCK_WORDS = 2**23


def _read_timeline(header: EdfHeader, path: Path) -> tuple[NDArray[np.float64], tuple[Annotation, ...]]:
    """Start of every data record and all annotations.

    Parameters
    ----------
    header
        The checked header.
    path
        The file.

    Returns
    -------
    starts : (records,) float64
        Start of each record, s after the first one.
    annotations
        Sorted by onset, which is in s after the start of the first record.

    Raises
    ------
    RecordingError
        Where the records of an EDF+D file carry no times, or times that run backwards.
    """
    regular: NDArray[np.float64] = np.arange(header.records, dtype=np.float64) * header.record_s
    if not header.is_plus:
        return regular, ()
    starts = np.full(header.records, np.nan)
    found: list[tuple[float, str, float | None]] = []
    for order, signal in enumerate(s for s in header.signals if s.is_annotations):
        part = _column(header, path, signal)
        width = 2 * signal.samples_per_record
        for piece in _LIST.finditer(part.tobytes()):
            match = _TIME.match(piece[0])
            if match is None:
                continue
            onset = float(match[1])
            texts = piece[0][match.end() :].split(b"\x14")[:-1]
            record = piece.start() // width
            # in the first annotation signal the first list of a record has an empty text: the record's time
            if order == 0 and np.isnan(starts[record]) and texts[:1] == [b""]:
                starts[record] = onset
            duration = float(match[2]) if match[2] else None
            found.extend((onset, text.decode("utf-8", "replace").strip(), duration) for text in texts if text)
            if len(found) > _MAX_ANNOTATIONS:
                raise RecordingError(f"The EDF+ file holds more than {_MAX_ANNOTATIONS} annotations.")
    origin = float(starts[0]) if np.isfinite(starts[0]) else 0.0
    starts = _checked(starts - origin, header.record_s) if header.is_discontinuous else regular
    found.sort(key=lambda item: item[0])
    return starts, tuple(Annotation(round(onset - origin, 9), duration, text) for onset, text, duration in found)


def _column(header: EdfHeader, path: Path, signal: EdfSignalHeader) -> NDArray[np.int16]:
    """The words of one signal in every record; read a block at a time, so that none of it stays held."""
    found = np.empty((header.records, signal.samples_per_record), "<i2")
    block = max(1, _BLOCK_WORDS // header.record_words)
    for first in range(0, header.records, block):
        count = min(block, header.records - first)
        offset = header.header_bytes + 2 * first * header.record_words
        with path.open("rb") as file:
            file.seek(offset)
            words = np.frombuffer(file.read(2 * count * header.record_words), "<i2")
        words = words.reshape(count, header.record_words)
        found[first : first + count] = words[:, signal.first_word : signal.first_word + signal.samples_per_record]
    return found


def _checked(starts: NDArray[np.float64], record_s: float) -> NDArray[np.float64]:
    if np.any(np.isnan(starts)):
        record = int(np.argmax(np.isnan(starts))) + 1
        raise RecordingError(f"Data record {record} of the interrupted EDF+ file does not say when it starts.")
    backwards = np.diff(starts) < record_s * (1 - 1e-6) - 1e-6
    if np.any(backwards):
        record = int(np.argmax(backwards)) + 2
        raise RecordingError(
            f"Data record {record} of the EDF+ file starts at {starts[record - 1]:g} s, "
            "before the one in front of it has ended."
        )
    return starts
