"""The header of a WFDB record, checked against its signal files before the library reads them.

Format: WFDB Applications Guide, header(5): a record line ``name signals rate samples``, then one line for
each signal ``file format[xframe][+offset] gain(baseline)/unit ... description``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from .signals import ChannelInfo, RecordingError

#: Most samples of a record, whose unpacked files lie on the disk while it is read.
_MOST_SAMPLES = 2**29
#: Bytes of one sample in each storage format that the library reads without compression.
_BYTES = {"8": 1.0, "16": 2.0, "24": 3.0, "32": 4.0, "61": 2.0, "80": 1.0, "160": 2.0, "212": 1.5}
_BYTES |= {"310": 4 / 3, "311": 4 / 3}
_FILE = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")
_UNIT = re.compile(r"^[-+\d.eE]*(?:\([-+\d]*\))?(?:/(\S+))?$")
#: Formats of which any stretch can be read by itself.
_IN_PIECES = frozenset({"16", "24", "32", "61", "80", "160", "212"})
_FORMAT = re.compile(r"^(\d+)(?:x(\d+))?(?::\d+)?(?:\+(\d+))?$")


@dataclass(frozen=True)
class WfdbHeader:
    """What a header says.

    Attributes
    ----------
    record, files
        Name of the record and the signal files it needs.
    uncalibrated
        Labels of signals without a stated gain.
    channels
        As the library will name them.
    rate_hz, samples
        Frames per second, Hz, and how many there are (0 where the header does not say).
    started_at
        Wall-clock start, or None.
    in_pieces
        Whether any stretch can be read without what stands before it.
    """

    record: str
    files: tuple[str, ...]
    uncalibrated: tuple[str, ...]
    channels: tuple[ChannelInfo, ...]
    rate_hz: float
    samples: int
    started_at: datetime | None
    in_pieces: bool


def _check_wfdb_header(text: str, sizes: Mapping[str, int]) -> WfdbHeader:
    """Check a header.

    Parameters
    ----------
    text
        Content of the ``.hea`` file.
    sizes
        Length in bytes of every file that came with it.

    Raises
    ------
    RecordingError
        Where the header is incomplete, names other files, or claims more samples than they hold.
    """
    lines = [line for raw in text.splitlines() if (line := raw.strip()) and not line.startswith("#")]
    words = lines[0].split() if lines else []
    if len(words) < 3:
        raise RecordingError("The WFDB header does not state record, number of signals and sampling rate.")
    if "/" in words[0]:
        raise RecordingError("WFDB records of several segments cannot be read here; join them into one.")
    count, rate = _whole(words[1], "number of signals"), _rate(words[2])
    samples = _whole(words[3], "number of samples") if len(words) > 3 else 0
    if not 1 <= count <= 4096 or len(lines) - 1 < count:
        raise RecordingError(f"The WFDB header announces {count} signals but describes {len(lines) - 1}.")
    if rate <= 0:
        raise RecordingError("The WFDB header gives a sampling rate of zero.")
    needed: dict[str, float] = {}
    per_frame = 0
    uncalibrated, channels, in_pieces = list[str](), list[ChannelInfo](), samples > 0
    for number, line in enumerate(lines[1 : count + 1], start=1):
        parts = line.split(maxsplit=8)
        if len(parts) < 2 or not (form := _FORMAT.match(parts[1])):
            raise RecordingError(f"The WFDB header has a signal line that cannot be read: '{line[:60]}'.")
        name, (kind, frame, offset) = parts[0], form.groups()
        if not _FILE.match(name) or name not in sizes:
            raise RecordingError(f"The WFDB header names the signal file '{name[:60]}', which is not in the zip.")
        if kind not in _BYTES:
            raise RecordingError(f"WFDB signals stored in format {kind} cannot be read here; use format 16 or 212.")
        frames = int(frame or 1)
        if frames < 1:
            raise RecordingError("The WFDB header gives a signal with a sampling rate of zero.")
        per_frame += frames
        needed[name] = needed.get(name, float(offset or 0)) + samples * frames * _BYTES[kind]
        if len(parts) < 3 or float(re.match(r"[\d.]*", parts[2])[0] or 0) == 0:  # type: ignore[index] # the pattern matches the empty text too
            uncalibrated.append(parts[8] if len(parts) > 8 else name)
        in_pieces = in_pieces and kind in _IN_PIECES and ":" not in parts[1]
        unit = _UNIT.match(parts[2]) if len(parts) > 2 else None
        label = parts[8].strip() if len(parts) > 8 else f"signal {number}"
        channels.append(ChannelInfo(label, (unit[1] if unit else None) or "mV", rate * frames))
    if samples * per_frame > _MOST_SAMPLES or sum(sizes[name] for name in needed) > 4 * _MOST_SAMPLES:
        raise RecordingError("The WFDB record is too long to be read; split it.")
    for name, length in needed.items():
        if sizes[name] < int(length):
            raise RecordingError(
                f"The WFDB signal file {name} is cut short: {sizes[name]} bytes, {int(length)} announced."
            )
    return WfdbHeader(
        record=words[0],
        files=tuple(needed),
        uncalibrated=tuple(uncalibrated),
        channels=tuple(channels),
        rate_hz=rate,
        samples=samples,
        started_at=_started_at(words[4:6]),
        in_pieces=in_pieces,
    )


def _started_at(words: list[str]) -> datetime | None:
    """Time and date of the record line; None where one of them is missing or unreadable."""
    for form in ("%H:%M:%S.%f %d/%m/%Y", "%H:%M:%S %d/%m/%Y"):
        try:
            return datetime.strptime(" ".join(words), form)  # noqa: DTZ007 - local to the recorder
        except ValueError:
            continue
    return None


def _whole(text: str, what: str) -> int:
    if not re.fullmatch(r"\d{1,12}", text):
        raise RecordingError(f"The {what} in the WFDB header is not a whole number ('{text[:40]}').")
    return int(text)


def _rate(text: str) -> float:
    match = re.match(r"^\d{1,9}(\.\d{1,12})?", text)
    if not match:
        raise RecordingError(f"The sampling rate in the WFDB header is not a number ('{text[:40]}').")
    return float(match[0])
