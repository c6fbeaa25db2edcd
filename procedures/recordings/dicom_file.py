"""DICOM waveforms (12-lead ECG and other waveform objects, PS3.3 C.10.9)."""

from __future__ import annotations

import warnings
from io import BufferedReader
from pathlib import Path
from typing import Any

import numpy as np

from .clock import _moment_of
from .hashing import sha256_of
from .signals import MAX_SAMPLES, Annotation, Channel, RecordingError, Signals

#: Tag of the time of acquisition.
TAKEN_AT = 0x0008002A
_FIRST, _LAST = 0x00080000, 0x5400FFFF  # from the identification of the object to its waveforms
# Decoded whole, which takes about ten times the file: half an hour of sixteen channels at 1000 Hz.
MAX_BYTES = 64_000_000
_ITEMS = (b"\xfe\xff\x00\xe0", b"\xff\xfe\xe0\x00")  # begins an item of a sequence, in either byte order
_MOST_ITEMS, _MOST_READS = 5000, 100_000
_TOO_MANY = "The DICOM file describes more than a waveform recording can have; export it again."
_DEFLATED = "1.2.840.10008.1.2.1.99"
# (0002,0010), always explicit and little endian (PS3.10, 7.1), within the first elements of the file.
_SYNTAX, _META_BYTES = b"\x02\x00\x10\x00UI", 65_536

TOO_LARGE = (
    f"The DICOM file is larger than {MAX_BYTES // 1_000_000} MB, which cannot be read here; export the recording as "
    "EDF or CSV, or in shorter pieces."
)


def _read_dicom(path: Path) -> Signals:
    """Decode the original waveforms of a DICOM file; derived ones (median beats) are left out and named.

    Raises
    ------
    RecordingError
        Where the object holds no waveform, or the waveform is not as long as it says.
    """
    import pydicom

    if path.stat().st_size > MAX_BYTES:
        raise RecordingError(TOO_LARGE)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # a deflated object can unpack to a thousand times its size before a single length is known
        if _syntax_of(path) == _DEFLATED:
            raise RecordingError(
                "The DICOM file is stored deflated, which cannot be read here; export it uncompressed."
            )
        _refuse_many_items(path)
        with path.open("rb", buffering=0) as raw, _Bounded(raw) as stream:
            # elements stand in rising order; zeros behind the last one would be read as elements without end
            dataset = pydicom.filereader.read_partial(stream, lambda tag, vr, length: not _FIRST <= tag <= _LAST)
        groups = list(dataset.get("WaveformSequence") or [])
        if not groups:
            raise RecordingError("The DICOM file holds no waveform.")
        original = [i for i, group in enumerate(groups) if group.get("WaveformOriginality") != "DERIVED"]
        chosen = original or [0]
        channels = tuple(channel for i in chosen for channel in _channels(dataset, groups[i], i))
        first = groups[chosen[0]]
        annotations = _annotations(dataset, float(first.SamplingFrequency))
        started_at = _moment_of(str(dataset.get("AcquisitionDateTime") or ""))
    durations = {round(len(channel.samples) / channel.sample_rate_hz, 9) for channel in channels}
    if len(durations) > 1:
        raise RecordingError("The DICOM file holds waveforms of different lengths, which cannot share a time axis.")
    left_out = len(groups) - len(chosen)
    return Signals(
        channels=channels,
        annotations=annotations,
        format="DICOM",
        duration_s=durations.pop(),
        sha256=sha256_of(path),
        started_at=started_at,
        notes=(f"Not used: {left_out} waveform{'s' if left_out > 1 else ''} that the DICOM file states as derived.",)
        if left_out
        else (),
    )


def _syntax_of(path: Path) -> str:
    """The transfer syntax, which stands among the first elements, written as the standard has it for every file."""
    with path.open("rb") as stream:
        head = stream.read(_META_BYTES)
    at = head.find(_SYNTAX) + len(_SYNTAX)
    length = int.from_bytes(head[at : at + 2], "little")
    return "" if at < len(_SYNTAX) else head[at + 2 : at + 2 + length].decode("latin-1").strip("\x00 ")


class _Bounded(BufferedReader):
    """A file that is read in no more pieces than a waveform object has: a made-up one has elements without end."""

    left = _MOST_READS

    def read(self, size: int | None = -1, /) -> bytes:
        """Read a piece."""
        self.left -= 1
        if self.left < 0:
            raise RecordingError(_TOO_MANY)
        return super().read(size)


def _refuse_many_items(path: Path) -> None:
    """Refuse an object with more items of sequences than any waveform has: each costs a fifth of a millisecond.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    RecordingError
        Where there are too many.
    """
    found, tail = 0, b""
    with path.open("rb") as stream:
        while block := stream.read(1 << 22):
            block = tail + block
            found += max(block.count(item) for item in _ITEMS)
            if found > _MOST_ITEMS:
                raise RecordingError(_TOO_MANY)
            tail = block[-3:]


def _channels(dataset: Any, group: Any, index: int) -> list[Channel]:
    from pydicom.waveforms import multiplex_array

    rate = float(group.SamplingFrequency)
    count, samples = int(group.NumberOfWaveformChannels), int(group.NumberOfWaveformSamples)
    if not (np.isfinite(rate) and rate > 0):
        raise RecordingError("The DICOM waveform has a sampling rate of zero.")
    if count <= 0 or samples <= 0 or count > len(group.ChannelDefinitionSequence):
        raise RecordingError("The DICOM waveform does not describe its channels.")
    held = len(group.WaveformData) // max(1, int(group.WaveformBitsAllocated) // 8)
    if held < count * samples or count * samples > MAX_SAMPLES:
        raise RecordingError(
            f"The DICOM waveform is cut short: {count} channels of {samples} samples announced, {held} values held."
        )
    values = multiplex_array(dataset, index, as_raw=False)
    channels = []
    for i, definition in enumerate(group.ChannelDefinitionSequence[:count]):
        units = definition.get("ChannelSensitivityUnitsSequence") if "ChannelSensitivity" in definition else None
        unit = str(units[0].CodeValue) if units else ""
        column = np.ascontiguousarray(values[:, i], dtype=np.float64)
        if not np.isfinite(column).all():
            raise RecordingError(f"Channel {_label(definition, i)} of the DICOM waveform holds what is not a number.")
        channels.append(Channel(_label(definition, i), unit, rate, column))
    return channels


def _label(definition: Any, index: int) -> str:
    label = str(definition.get("ChannelLabel") or "").strip()
    source = definition.get("ChannelSourceSequence")
    return label or (str(source[0].get("CodeMeaning") or "").strip() if source else "") or f"channel {index + 1}"


def _annotations(dataset: Any, rate: float) -> tuple[Annotation, ...]:
    """Free texts that point at a time; measured values and their names are no marks of the user."""
    found = []
    for item in dataset.get("WaveformAnnotationSequence") or []:
        text = str(item.get("UnformattedTextValue") or "").strip()
        offsets = item.get("ReferencedTimeOffsets")  # ms
        positions = item.get("ReferencedSamplePositions")  # the first sample is 1
        if not text or (offsets is None and positions is None):
            continue
        raw = np.atleast_1d(np.asarray(offsets if offsets is not None else positions, dtype=np.float64))
        times = raw / 1000 if offsets is not None else (raw - 1) / rate
        duration = float(times[-1] - times[0]) if item.get("TemporalRangeType") == "SEGMENT" else None
        found.append(Annotation(float(times[0]), duration, text))
    return tuple(sorted(found, key=lambda annotation: annotation.onset_s))
