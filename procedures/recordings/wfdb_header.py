"""The header of a WFDB record, checked against its signal files before the library reads them.

Format: WFDB Applications Guide, header(5): a record line ``name signals rate samples``, then one line for
each signal ``file format[xframe][+offset] gain(baseline)/unit ... description``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from .signals import MAX_SAMPLES, RecordingError

#: Bytes of one sample in each storage format that the library reads without compression.
_BYTES = {"8": 1.0, "16": 2.0, "24": 3.0, "32": 4.0, "61": 2.0, "80": 1.0, "160": 2.0, "212": 1.5}
_BYTES |= {"310": 4 / 3, "311": 4 / 3}
_FILE = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")
_FORMAT = re.compile(r"^(\d+)(?:x(\d+))?(?::\d+)?(?:\+(\d+))?$")


@dataclass(frozen=True)
class WfdbHeader:
    """Name of the record, the files it needs, and the labels of signals without a stated gain."""

    record: str
    files: tuple[str, ...]
    uncalibrated: tuple[str, ...]


def check_wfdb_header(text: str, sizes: Mapping[str, int]) -> WfdbHeader:
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
    uncalibrated = []
    for line in lines[1 : count + 1]:
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
    if samples * per_frame > MAX_SAMPLES or sum(sizes[name] for name in needed) > 4 * MAX_SAMPLES:
        raise RecordingError("The WFDB record is too long to be decoded at once; split it.")
    for name, length in needed.items():
        if sizes[name] < int(length):
            raise RecordingError(
                f"The WFDB signal file {name} is cut short: {sizes[name]} bytes, {int(length)} announced."
            )
    return WfdbHeader(words[0], tuple(needed), tuple(uncalibrated))


def _whole(text: str, what: str) -> int:
    if not re.fullmatch(r"\d{1,12}", text):
        raise RecordingError(f"The {what} in the WFDB header is not a whole number ('{text[:40]}').")
    return int(text)


def _rate(text: str) -> float:
    match = re.match(r"^\d{1,9}(\.\d{1,12})?", text)
    if not match:
        raise RecordingError(f"The sampling rate in the WFDB header is not a number ('{text[:40]}').")
    return float(match[0])
