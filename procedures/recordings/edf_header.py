"""The header of an EDF or EDF+ file, read and checked against the file's length before any data is touched.

Layout: Kemp et al., Electroencephalogr Clin Neurophysiol 1992;82:391 (EDF) and Kemp & Olivan, Clin
Neurophysiol 2003;114:1755 (EDF+): 256 bytes for the file, then 256 for each signal, fields as ASCII text.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from .signals import MAX_SAMPLES, RecordingError, _refuse_duration

ANNOTATIONS_LABEL = "EDF Annotations"
_MAX_SIGNALS = 4096
_SIGNAL_FIELDS = (
    ("label", 16),
    ("transducer", 80),
    ("unit", 8),
    ("physical minimum", 8),
    ("physical maximum", 8),
    ("digital minimum", 8),
    ("digital maximum", 8),
    ("prefilter", 80),
    ("samples per record", 8),
    ("reserved", 32),
)
_MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")


@dataclass(frozen=True)
class EdfSignalHeader:
    """One signal's header: ``first_word`` is its place inside a data record, in 16-bit words."""

    label: str
    unit: str
    samples_per_record: int
    first_word: int

    @property
    def is_annotations(self) -> bool:
        return self.label == ANNOTATIONS_LABEL


@dataclass(frozen=True)
class EdfHeader:
    """What the header promises, already compared with what the file holds. ``record_s`` in s."""

    signals: tuple[EdfSignalHeader, ...]
    records: int
    record_s: float
    record_words: int
    header_bytes: int
    is_plus: bool
    is_discontinuous: bool
    started_at: datetime | None


def _read_edf_header(path: Path) -> EdfHeader:
    """Read and check the header.

    Raises
    ------
    RecordingError
        Where a field is not what the format allows, or disagrees with the length of the file.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        fixed = file.read(256)
        if len(fixed) < 256:
            raise RecordingError("The EDF file is cut short: its header is incomplete.")
        count = _integer(fixed[252:256], "number of signals")
        if not 1 <= count <= _MAX_SIGNALS:
            raise RecordingError(f"The EDF header gives {count} signals; between 1 and {_MAX_SIGNALS} expected.")
        raw = file.read(256 * count)
    if len(raw) < 256 * count:
        raise RecordingError(f"The EDF file is cut short: its header announces {count} signals it does not describe.")
    header_bytes = _integer(fixed[184:192], "header length")
    if header_bytes != 256 * (count + 1):
        raise RecordingError(
            f"The EDF header says it is {header_bytes} bytes long; with {count} signals it is {256 * (count + 1)}."
        )
    signals = _signals(raw, count)
    record_words = sum(signal.samples_per_record for signal in signals)
    record_s = _number(fixed[244:252], "duration of a data record")
    if not any(not signal.is_annotations for signal in signals):
        raise RecordingError("The EDF file holds annotations only, no signals.")
    if record_s <= 0:
        raise RecordingError(f"The EDF header gives data records of {record_s:g} s; they must be longer than 0 s.")
    records = _records(_integer(fixed[236:244], "number of data records"), size - header_bytes, record_words)
    _refuse_duration(records * record_s)
    reserved = _text(fixed[192:236])
    return EdfHeader(
        signals=signals,
        records=records,
        record_s=record_s,
        record_words=record_words,
        header_bytes=header_bytes,
        # some writers forget the mark but write the annotations
        is_plus=reserved.startswith("EDF+") or any(signal.is_annotations for signal in signals),
        is_discontinuous=reserved.startswith("EDF+D"),
        started_at=_started_at(_text(fixed[88:168]), _text(fixed[168:176]), _text(fixed[176:184])),
    )


def _signals(raw: bytes, count: int) -> tuple[EdfSignalHeader, ...]:
    fields: dict[str, list[bytes]] = {}
    at = 0
    for name, width in _SIGNAL_FIELDS:
        fields[name] = [raw[at + i * width : at + (i + 1) * width] for i in range(count)]
        at += width * count
    signals = []
    first_word = 0
    for i in range(count):
        label = _text(fields["label"][i])
        whose = f"of channel '{label}'"
        samples = _integer(fields["samples per record"][i], f"number of samples per record {whose}")
        if samples <= 0:
            raise RecordingError(f"Channel '{label}' of the EDF file has a sampling rate of zero.")
        if label != ANNOTATIONS_LABEL:
            low, high = (
                _number(fields[f"physical {end}"][i], f"physical {end} {whose}") for end in ("minimum", "maximum")
            )
            bottom, top = (
                _integer(fields[f"digital {end}"][i], f"digital {end} {whose}") for end in ("minimum", "maximum")
            )
            if low == high:
                raise RecordingError(f"The physical range {whose} is empty ({low:g} to {high:g}).")
            if not -32768 <= bottom < top <= 32767:
                raise RecordingError(f"The digital range {whose} is not possible in EDF ({bottom} to {top}).")
        signals.append(EdfSignalHeader(label, _text(fields["unit"][i]), samples, first_word))
        first_word += samples
    return tuple(signals)


def _records(announced: int, data_bytes: int, record_words: int) -> int:
    held, rest = divmod(data_bytes, 2 * record_words)
    if announced == -1:  # the standard's mark for a recording that was not closed properly
        announced, rest = held, 0
    if announced < -1 or announced == 0 or (held == 0 and not rest):
        raise RecordingError("The EDF file holds no data records.")
    if announced > held:
        raise RecordingError(
            f"The EDF file is cut short: its header announces {announced} data records, it holds {held}."
        )
    if announced < held or rest:
        raise RecordingError(f"The EDF header announces {announced} data records, but the file is longer ({held} fit).")
    if announced * record_words > MAX_SAMPLES:
        raise RecordingError("The EDF file is too long to be decoded at once; split it into shorter recordings.")
    return announced


def _started_at(recording: str, date: str, time: str) -> datetime | None:
    """Start of the recording; None where the date is withheld or unreadable. EDF+ names the year in full."""
    words = recording.split()
    try:
        if words[:1] == ["Startdate"]:
            day, month, year = words[1].split("-")
            full = (int(year), _MONTHS.index(month.upper()) + 1, int(day))
        else:
            day, month, year = date.split(".")
            # two-digit years: 85-99 are 1985-1999, 00-84 are 2000-2084 (EDF+ specification 2.1.3)
            full = ((1900 if int(year) >= 85 else 2000) + int(year), int(month), int(day))
        hour, minute, second = (int(part) for part in time.split("."))
        return datetime(*full, hour, minute, second)  # noqa: DTZ001 - the format has no time zone
    except (ValueError, IndexError):
        return None


def _text(raw: bytes) -> str:
    return raw.decode("latin-1").rstrip("\x00").strip()


def _integer(raw: bytes, what: str) -> int:
    try:
        return int(_text(raw))
    except ValueError:
        raise RecordingError(f"The {what} in the EDF header is not a whole number ('{_shown(raw)}').") from None


def _number(raw: bytes, what: str) -> float:
    try:
        value = float(_text(raw))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RecordingError(f"The {what} in the EDF header is not a number ('{_shown(raw)}').")
    return value


def _shown(raw: bytes) -> str:
    return "".join(c if c.isprintable() else "?" for c in _text(raw))
