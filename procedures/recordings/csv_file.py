"""CSV recordings: a header ``time_s,P_LV [mmHg],V_1 [mL],...`` and one row for each sample time."""

from __future__ import annotations

import csv
import re
import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .clock import uniform_rate
from .hashing import sha256_of
from .signals import MAX_SAMPLES, Channel, RecordingError, Signals

_MAX_HEADER_BYTES = 65_536
_MAX_FILE_BYTES = 2**31  # a text value takes about eight bytes, as a float64 does
_WITH_UNIT = re.compile(r"^(?P<label>.*?)\s*\[(?P<unit>.*)\]$")
_TIME_IN_OTHER_UNITS = re.compile(r"^(time|t)[\s_]*[\[(]?(ms|us|µs|min|h|sample|samples)[\])]?$", re.IGNORECASE)
_TIME = re.compile(r"^time[\s_]*[\[(]?s[\])]?$", re.IGNORECASE)


def read_csv(path: Path) -> Signals:
    """Decode a CSV recording.

    Times must rise evenly; every value must be a finite number with a decimal point.

    Raises
    ------
    RecordingError
        Where header, units, times or values are not as described; the message names row and column.
    """
    if path.stat().st_size > _MAX_FILE_BYTES:
        raise RecordingError("The CSV file is larger than 2 GiB; use EDF or split it into shorter recordings.")
    columns, time_column = _header(path)
    values = _values(path, [label for label, _ in columns])
    if values.shape[0] < 2:
        raise RecordingError("The CSV file needs at least two rows of samples below its header.")
    _check_finite(values, columns)
    time = values[:, time_column]
    rate = uniform_rate(time)
    return Signals(
        channels=tuple(
            Channel(label, unit, rate, np.ascontiguousarray(values[:, i]))
            for i, (label, unit) in enumerate(columns)
            if i != time_column
        ),
        annotations=(),
        format="CSV",
        duration_s=round(len(time) / rate, 9),
        sha256=sha256_of(path),
        start_s=float(time[0]),
    )


def _header(path: Path) -> tuple[list[tuple[str, str]], int]:
    """Columns as (label, unit), and which of them is the time."""
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


def _values(path: Path, labels: list[str]) -> NDArray[np.float64]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # an empty table is refused by the caller in words of its own
        try:
            values = np.loadtxt(
                path, delimiter=",", skiprows=1, ndmin=2, comments=None, encoding="utf-8-sig", quotechar='"'
            )
        except UnicodeDecodeError:
            raise RecordingError("The CSV file holds bytes that are not text.") from None
        except ValueError as error:
            raise RecordingError(_explained(str(error), labels)) from None
    if values.size and values.shape[1] != len(labels):
        raise RecordingError(
            f"The header of the CSV file names {len(labels)} columns, its rows hold {values.shape[1]}"
            + (" (a decimal comma splits numbers in two)." if values.shape[1] > len(labels) else ".")
        )
    if values.size > MAX_SAMPLES:
        raise RecordingError("The CSV file is too long to be decoded at once; split it.")
    return values


def _explained(message: str, labels: list[str]) -> str:
    """The library's complaint in the words of the file: its first data row is row 1."""
    if match := re.search(r"could not convert string '(.*)' to float64 at row (\d+), column (\d+)", message):
        text, row, column = match[1], int(match[2]) + 1, int(match[3]) - 1
        name = labels[column] if column < len(labels) else str(column + 1)
        if not text.strip():
            return f"Row {row} of the CSV file has no value in column '{name}'."
        if ";" in text:
            return f"Row {row} of the CSV file is separated by semicolons; separate columns by commas."
        hint = " (write numbers with a decimal point)" if re.fullmatch(r"\s*-?\d+,\d+\s*", text) else ""
        return f"Row {row} of the CSV file has '{text[:40]}' in column '{name}', which is not a number{hint}."
    if match := re.search(r"number of columns changed from (\d+) to (\d+) at row (\d+)", message):
        return f"Row {match[3]} of the CSV file has {match[2]} columns, the rows above have {match[1]}."
    return "The CSV file is not a table of numbers below its header."


def _check_finite(values: NDArray[np.float64], columns: list[tuple[str, str]]) -> None:
    finite = np.isfinite(values)
    if not finite.all():
        row, column = np.unravel_index(int(np.argmin(finite)), values.shape)
        raise RecordingError(
            f"Row {row + 1} of the CSV file has {values[row, column]} in column '{columns[int(column)][0]}'; "
            f"every value must be a finite number ({int((~finite).sum())} are not)."
        )


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
