"""HL7 version 3 annotated electrocardiograms (aECG; implementation guide of 21 March 2005)."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import datetime
from pathlib import Path

import defusedxml.ElementTree as defused
import numpy as np
from defusedxml import DefusedXmlException
from numpy.typing import NDArray

from .clock import _moment_of
from .hashing import sha256_of
from .signals import MAX_SAMPLES, Channel, RecordingError, Signals

_SPACE = "{urn:hl7-org:v3}"
_TYPE = "{http://www.w3.org/2001/XMLSchema-instance}type"
# Decoded whole: five minutes of twelve leads at 1000 Hz.
MAX_BYTES = 32_000_000
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
TOO_LARGE = f"The XML file is larger than {MAX_BYTES // 1_000_000} MB, which is too large for an aECG."
NO_AECG = "The XML file is not an HL7 aECG (AnnotatedECG); other XML is not read here."
_LEAD_PREFIX = "MDC_ECG_LEAD_"


def _read_aecg(path: Path) -> Signals:
    """Decode the rhythm waveform; derived series (representative beats) are left out and named.

    Raises
    ------
    RecordingError
        Where the XML is damaged, is no aECG, or holds no waveform with a time step.
    """
    root = _parse(path)
    if root.tag != f"{_SPACE}AnnotatedECG":
        raise RecordingError(NO_AECG)
    sets = root.findall(f"{_SPACE}component/{_SPACE}series/{_SPACE}component/{_SPACE}sequenceSet")
    if not sets:
        raise RecordingError("The aECG file holds no waveform.")
    rate, started_at, channels = _sequences(sets[0])
    derived = len(root.findall(f".//{_SPACE}derivedSeries"))
    notes = []
    if derived:
        notes.append(f"Not used: {derived} waveform{'s' if derived > 1 else ''} that the aECG file states as derived.")
    if len(sets) > 1:
        notes.append(f"The aECG file holds {len(sets)} waveforms one after another; the first was read.")
    return Signals(
        channels=channels,
        annotations=(),
        format="aECG",
        duration_s=round(channels[0].samples.size / rate, 9),
        sha256=sha256_of(path),
        started_at=started_at,
        notes=tuple(notes),
    )


def _parse(path: Path) -> ET.Element:
    if path.stat().st_size > MAX_BYTES:
        raise RecordingError(TOO_LARGE)
    data = path.read_bytes()
    try:
        data.decode("utf-8")
        encoding = "utf-8"
    except UnicodeDecodeError:
        encoding = "iso-8859-1"
    parser = defused.XMLParser(encoding=encoding, forbid_dtd=True)
    try:
        parser.feed(data)
        root: ET.Element = parser.close()
    except DefusedXmlException:
        raise RecordingError("The XML file declares a document type or entities, which cannot be read here.") from None
    except (defused.ParseError, ET.ParseError) as error:
        raise RecordingError("The XML file is damaged or cut short.") from error
    return root


def _sequences(sequence_set: ET.Element) -> tuple[float, datetime | None, tuple[Channel, ...]]:
    rate: float | None = None
    started_at: datetime | None = None
    found: list[tuple[str, str, NDArray[np.float64]]] = []
    for sequence in sequence_set.findall(f"{_SPACE}component/{_SPACE}sequence"):
        code, value = sequence.find(f"{_SPACE}code"), sequence.find(f"{_SPACE}value")
        if code is None or value is None:
            continue
        kind = (value.get(_TYPE) or "").split(":")[-1]
        if kind.startswith("GLIST"):
            rate = _rate(value)
            head = value.find(f"{_SPACE}head")
            started_at = _moment_of("" if head is None else head.get("value") or "")
        elif kind.startswith("SLIST"):
            found.append(_samples(code.get("code") or "", value))
    if rate is None:
        raise RecordingError("The aECG waveform gives no time step.")
    if not found:
        raise RecordingError("The aECG waveform holds no leads.")
    if len({samples.size for _, _, samples in found}) > 1 or not found[0][2].size:
        raise RecordingError("The leads of the aECG file are not of one length, or are empty.")
    if len(found) * found[0][2].size > MAX_SAMPLES:
        raise RecordingError("The aECG file is too long to be read.")
    channels = [Channel(label, unit, rate, samples) for label, unit, samples in found]
    return rate, started_at, tuple(channels)


def _rate(value: ET.Element) -> float:
    step = value.find(f"{_SPACE}increment")
    size = _number(step, "time step")
    unit = "" if step is None else step.get("unit") or ""
    if unit not in _SECONDS or not size > 0:
        raise RecordingError(f"The aECG time step '{size:g} {unit}' is not a length of time.")
    rate = 1.0 / max(size * _SECONDS[unit], 1e-12)  # a step too short to be one is refused with its channel
    return float(round(rate)) if abs(rate - round(rate)) < 1e-6 * rate else rate


def _samples(code: str, value: ET.Element) -> tuple[str, str, NDArray[np.float64]]:
    """Label, unit and values of one lead: origin + scale · digits."""
    label = code.removeprefix(_LEAD_PREFIX).replace("AV", "aV") or "lead"
    scale, origin = value.find(f"{_SPACE}scale"), value.find(f"{_SPACE}origin")
    unit = "" if scale is None else scale.get("unit") or ""
    if origin is not None and (origin.get("unit") or unit) != unit and _number(origin, "origin") != 0:
        raise RecordingError(f"Lead {label} of the aECG file has its origin in another unit than its scale.")
    digits = value.findtext(f"{_SPACE}digits") or ""
    try:
        raw = np.array(digits.split(), dtype=np.float64)
    except ValueError:
        raise RecordingError(f"Lead {label} of the aECG file holds something that is not a number.") from None
    start = 0.0 if origin is None else _number(origin, "origin")
    values = start + _number(scale, "scale") * raw
    if not np.isfinite(values).all():
        raise RecordingError(f"Lead {label} of the aECG file holds something that is not a number.")
    return label, unit, values


def _number(element: ET.Element | None, what: str) -> float:
    try:
        number = float("" if element is None else element.get("value") or "")
    except ValueError:
        number = np.nan
    if not np.isfinite(number):
        raise RecordingError(f"The aECG waveform has a {what} that is not a number.")
    return number
