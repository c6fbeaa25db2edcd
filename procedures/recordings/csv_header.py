"""The first line of a CSV recording: ``time_s,P_LV [mmHg],V_1 [mL],...``."""

from __future__ import annotations

import csv
import re
from pathlib import Path

from .signals import RecordingError

_MAX_HEADER_BYTES = 65_536
_WITH_UNIT = re.compile(r"^(?P<label>.*?)\s*\[(?P<unit>.*)\]$")
_TIME_IN_OTHER_UNITS = re.compile(r"^(time|t)[\s_]*[\[(]?(ms|us|µs|min|h|sample|samples)[\])]?$", re.IGNORECASE)
_TIME = re.compile(r"^time[\s_]*[\[(]?s[\])]?$", re.IGNORECASE)


def _read_csv_header(path: Path) -> tuple[list[tuple[str, str]], int]:
    """Read the first line.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    columns
        As (label, unit).
    time_column
        Which of them is the time.

    Raises
    ------
    RecordingError
        Where it names no time in seconds, no signals, or is no header.
    """
    with path.open("rb") as file:
        line = file.readline(_MAX_HEADER_BYTES)
    if len(line) == _MAX_HEADER_BYTES:
        raise RecordingError("The first line of the CSV file is too long to be a header.")
    try:
        text = line.decode("utf-8-sig").strip()
    except UnicodeDecodeError:
        raise RecordingError("The header of the CSV file is not UTF-8 text; save the file as UTF-8.") from None
    if text.count(";") > text.count(","):
        raise RecordingError(
            "The columns of the CSV file are separated by semicolons; "
            "separate them by commas and write numbers with a decimal point."
        )
    if "\t" in text:
        raise RecordingError("The columns of the CSV file are separated by tabs; separate them by commas.")
    names = [name.strip() for name in next(csv.reader([text]), [])]
    if names and all(_is_number(name) for name in names):
        raise RecordingError("The CSV file has no header; its first line must name the columns: time_s,P_LV [mmHg],...")
    times = [i for i, name in enumerate(names) if _TIME.match(name)]
    if not times:
        other = next((name for name in names if _TIME_IN_OTHER_UNITS.match(name)), None)
        if other:
            raise RecordingError(f"The column '{other}' is not in seconds; give the time in seconds as time_s.")
        raise RecordingError(
            "The CSV file has no column time_s; its header must read like time_s,P_LV [mmHg],V_1 [mL],..."
        )
    if len(times) > 1:
        raise RecordingError("The CSV file has more than one time column.")
    if len(names) < 2:
        raise RecordingError("The CSV file has a time column only, no signals.")
    columns = []
    for i, name in enumerate(names):
        match = _WITH_UNIT.match(name)
        label, unit = (match["label"].strip(), match["unit"].strip()) if match else (name, "")
        if not label:
            raise RecordingError(f"Column {i + 1} of the CSV file has no name in the header.")
        columns.append((label, unit))
    return columns, times[0]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
