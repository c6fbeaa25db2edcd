"""What every reader returns: channels in physical units, annotations, and where they came from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

#: Most samples decoded at once (2 GiB as float64): a larger file is refused before memory is taken for it.
#: Longest recording that is read, s: a header that claims more is wrong, and would stretch every page about it.
MAX_DURATION_S = 7 * 24 * 3600.0
MAX_SAMPLES = 2**28
#: Fastest sampling believed, Hz: windows of a stated length grow with it, so a damaged header must not ask for memory.
MAX_RATE_HZ = 1e6


class RecordingError(ValueError):
    """A recording, epochs table or channel mapping that cannot be used; the message is for the user."""


def _refuse_duration(duration_s: float) -> None:
    """Refuse a recording that claims to be longer than any is.

    Parameters
    ----------
    duration_s
        What it claims, s.

    Raises
    ------
    RecordingError
        Where it is too long.
    """
    if not duration_s <= MAX_DURATION_S:
        days = MAX_DURATION_S / 86400
        raise RecordingError(f"The file claims a recording of {duration_s:.3g} s; at most {days:g} days are read.")


@dataclass(frozen=True, eq=False)
class Channel:
    """One signal.

    Attributes
    ----------
    label
        Name as written in the file, without the unit.
    unit
        Unit as written in the file; empty where the file gives none.
    sample_rate_hz
        Samples per second, Hz.
    samples : (n,) float64
        Values in ``unit``. NaN only inside the gaps of a recording with pauses.
    """

    label: str
    unit: str
    sample_rate_hz: float
    samples: NDArray[np.float64]

    def __post_init__(self) -> None:
        _check_rate(self.label, self.sample_rate_hz)


@dataclass(frozen=True)
class ChannelInfo:
    """A channel without its samples."""

    label: str
    unit: str
    sample_rate_hz: float

    def __post_init__(self) -> None:
        _check_rate(self.label, self.sample_rate_hz)


def _check_rate(label: str, rate_hz: float) -> None:
    if not 0 < rate_hz <= MAX_RATE_HZ:  # NaN is not either
        raise RecordingError(f"The channel '{label[:40]}' has a sampling rate of {rate_hz:g} Hz, which cannot be.")


@dataclass(frozen=True)
class Annotation:
    """A text at a time of the recording; ``duration_s`` is None where the file gives none. Times in s."""

    onset_s: float
    duration_s: float | None
    text: str

    def __post_init__(self) -> None:
        if not (math.isfinite(self.onset_s) and math.isfinite(self.duration_s or 0.0)):
            raise RecordingError(f"The annotation '{self.text[:40]}' is at a time that is not a number.")


@dataclass(frozen=True, eq=False)
class Signals:
    """A recording, decoded.

    Attributes
    ----------
    channels, annotations
        In the order of the file.
    format
        ``"EDF"``, ``"EDF+"``, ``"CSV"``, ``"WFDB"`` or ``"DICOM"``.
    duration_s
        Length from the first sample to one sample period after the last, s, pauses included.
    sha256
        Hash of the file's bytes, hexadecimal; empty for signals that were never a file.
    started_at
        Wall-clock start as the file gives it (local, no time zone), or None.
    start_s
        Time of the first sample on the file's own time axis, s (0 except in CSV).
    gaps
        Pauses as (start, end) in s on the same axis; the samples inside are NaN.
    notes
        Remarks of the reader that a user should see.
    """

    channels: tuple[Channel, ...]
    annotations: tuple[Annotation, ...]
    format: str
    duration_s: float
    sha256: str = ""
    started_at: datetime | None = None
    start_s: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()
    notes: tuple[str, ...] = ()
