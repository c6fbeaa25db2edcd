"""Good files of every kind that is taken in; what is fuzzed is made from them."""

from __future__ import annotations

import csv
import io
import random
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from openpyxl import Workbook
from pydicom import dcmread
from pydicom.data import get_testdata_file

from procedures.recordings import Annotation, Channel, Signals, write_edf

RECORDINGS = ("edf", "edf+", "edf+d", "csv", "wfdb", "dicom", "aecg")
TABLES = ("patients.csv", "patients.xlsx", "assessments.csv", "assessments.xlsx")
LEADS = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
_AECG_LEAD = """<component><sequence><code code="MDC_ECG_LEAD_{lead}" codeSystem="2.16.840.1.113883.6.24"/>
<value xsi:type="SLIST_PQ"><origin value="0" unit="uV"/><scale value="2.5" unit="uV"/><digits>{digits}</digits></value>
</sequence></component>"""
_AECG = """<?xml version="1.0" encoding="UTF-8"?>
<AnnotatedECG xmlns="urn:hl7-org:v3" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
<id root="2.16.840.1.113883.3.4"/><code code="93000" codeSystem="2.16.840.1.113883.6.12"/><text>made up</text>
<component><series><code code="RHYTHM" codeSystem="2.16.840.1.113883.5.4"/><component><sequenceSet>
<component><sequence><code code="TIME_RELATIVE" codeSystem="2.16.840.1.113883.5.4"/><value xsi:type="GLIST_PQ">
<head value="0" unit="s"/><increment value="0.002" unit="s"/></value></sequence></component>
{leads}</sequenceSet></component></series></component></AnnotatedECG>"""
_HEADS = {
    "patients": ("Hospital number", "Family name", "Given name", "Birth date", "Sex", "Cause of heart failure"),
    "assessments": ("Hospital number", "When", "Date of assessment", "NYHA class", "LVEF (%)", "LVESV (mL)"),
}


@dataclass(frozen=True)
class Seed:
    """A good file. ``kind`` is one of :data:`RECORDINGS` or :data:`TABLES`."""

    kind: str
    content: bytes


def seeds(count: int, folder: Path) -> list[Seed]:
    """Make this many, of every kind in turn; ``folder`` is for files on the way."""
    kinds = (*RECORDINGS, *TABLES)
    return [Seed(kinds[n % len(kinds)], _made(kinds[n % len(kinds)], n, folder)) for n in range(count)]


def _made(kind: str, number: int, folder: Path) -> bytes:
    if kind in TABLES:
        name, form = kind.split(".")
        return _table(name, form, random.Random(number))  # noqa: S311 - the same files in every run
    makers: dict[str, Callable[[np.random.Generator, Path], bytes]] = {
        "edf": lambda rng, path: _edf(rng, path, marks=False),
        "edf+": lambda rng, path: _edf(rng, path, marks=True),
        "edf+d": _interrupted_edf,
        "csv": _csv,
        "wfdb": _wfdb,
        "dicom": _dicom,
        "aecg": _aecg,
    }
    return makers[kind](np.random.default_rng(number), folder / "seed")


def _channels(rng: np.random.Generator, seconds: float = 4.0) -> tuple[Channel, ...]:
    rate = float(rng.choice([125, 250, 500]))
    time_s = np.arange(round(seconds * rate)) / rate
    labels = [("P_LV", "mmHg"), ("V_LV", "mL"), ("ECG_II", "mV"), ("RESP", "V")][: int(rng.integers(1, 5))]
    return tuple(
        Channel(label, unit, rate, 60 + 40 * np.sin(2 * np.pi * 1.2 * time_s + n) + rng.normal(0, 1, time_s.size))
        for n, (label, unit) in enumerate(labels)
    )


def _edf(rng: np.random.Generator, path: Path, *, marks: bool) -> bytes:
    notes = (Annotation(0.5, 1.0, "baseline"), Annotation(2.0, 1.5, "site:PL mid")) if marks else ()
    write_edf(path, Signals(_channels(rng), notes, "EDF+", 4.0))
    content = path.read_bytes()
    if marks:
        return content
    # Plain EDF says nothing in the field that names EDF+.
    return content[:192] + b" " * 44 + content[236:]


def _interrupted_edf(rng: np.random.Generator, path: Path) -> bytes:
    content = bytearray(_edf(rng, path, marks=True))
    content[192:197] = b"EDF+D"
    # The last record starts later: its time stands in its annotations.
    last = list(re.finditer(rb"\+(\d)\x14\x14", content))[-1]
    content[last.start(1) : last.end(1)] = b"9"
    return bytes(content)


def _csv(rng: np.random.Generator, path: Path) -> bytes:
    channels = _channels(rng, 3.0)
    separator, comma = (";", True) if rng.random() < 0.3 else (",", False)
    head = separator.join(["time_s", *(f"{c.label} [{c.unit}]" for c in channels)])
    rate = channels[0].sample_rate_hz
    rows = (
        separator.join([f"{n / rate:.4f}", *(f"{c.samples[n]:.2f}" for c in channels)])
        for n in range(channels[0].samples.size)
    )
    text = "\n".join([head, *rows, ""])
    return (text.replace(".", ",") if comma else text).encode()


def _wfdb(rng: np.random.Generator, path: Path) -> bytes:
    channels = _channels(rng)
    size, rate = channels[0].samples.size, channels[0].sample_rate_hz
    head = [f"r {len(channels)} {rate:g} {size}"]
    head += [f"r.dat 16 100/{c.unit} 16 0 0 0 0 {c.label}" for c in channels]
    samples = np.column_stack([np.round(c.samples * 100) for c in channels]).astype("<i2")
    return _zipped({"r.hea": "\n".join([*head, ""]).encode(), "r.dat": samples.tobytes()})


def _dicom(rng: np.random.Generator, path: Path) -> bytes:
    name = get_testdata_file("waveform_ecg.dcm", download=False)
    data = dcmread(str(name))
    group = data.WaveformSequence[0]
    kept = int(rng.integers(500, 1500))
    width = int(group.NumberOfWaveformChannels) * 2
    group.WaveformData = group.WaveformData[: kept * width]
    group.NumberOfWaveformSamples = kept
    del data.WaveformSequence[1:]
    out = io.BytesIO()
    data.save_as(out)
    return out.getvalue()


def _aecg(rng: np.random.Generator, path: Path) -> bytes:
    size = int(rng.integers(200, 800))
    leads = "".join(
        _AECG_LEAD.format(lead=lead.upper(), digits=" ".join(map(str, rng.integers(-400, 400, size))))
        for lead in LEADS[: int(rng.integers(1, 13))]
    )
    return _AECG.format(leads=leads).encode()


def _table(name: str, form: str, rng: random.Random) -> bytes:
    rows: list[list[str | float]] = [list(_HEADS[name])]
    for n in range(rng.randint(2, 12)):
        number = f"N-{rng.randint(1, 9999):04d}-{n}"
        if name == "patients":
            sex = rng.choice(["female", "male"])
            rows.append([number, f"Adler{n}", "Eva", f"19{rng.randint(30, 79)}-03-2{n % 9}", sex, "ischaemic"])
        else:
            lvef, lvesv = rng.randint(10, 60), rng.randint(60, 300)
            rows.append([number, "before", f"202{rng.randint(0, 5)}-02-1{n % 9}", rng.choice("1234"), lvef, lvesv])
    if form == "xlsx":
        book = Workbook()
        for row in rows:
            book.active.append(row)
        out = io.BytesIO()
        book.save(out)
        return out.getvalue()
    text = io.StringIO()
    csv.writer(text, delimiter=rng.choice(",;\t")).writerows(rows)
    return text.getvalue().encode()


def _zipped(entries: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return out.getvalue()
