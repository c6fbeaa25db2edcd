"""Reading CSV: the encoding is never guessed, and neither is a separator that could be two."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from registry.importing.table import MAX_CELL, Fault, Row, Table, TableError, header_of, is_blank, rows_under

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}
ENCODINGS = {"utf-8": "UTF-8", "windows-1252": "Windows-1252 (Western Europe)"}
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_LOOKED_AT = 50


def read_csv(content: bytes, *, encoding: str = "utf-8", separator: str = "") -> Table:
    """Read a CSV file.

    Parameters
    ----------
    encoding
        A key of ``ENCODINGS``; a byte-order mark in the file stands over it.
    separator
        A key of ``SEPARATORS``, or empty: then it must follow from the file.

    Raises
    ------
    TableError
        With a sentence that says what to do.
    """
    text = _decoded(content, encoding)
    if "\0" in text:
        raise TableError("The file is not text: it contains zero bytes. Save the table as CSV or XLSX.")
    sign = SEPARATORS[separator] if separator else _separator(text)
    cells = _cells(text, sign)
    first = next(cells, None)
    if first is None:
        raise TableError("The file is empty.")
    header = header_of(first[1])
    return Table(header, rows_under(header, _as_wide(len(header), cells)))


def _decoded(content: bytes, encoding: str) -> str:
    known = next((name for mark, name in _MARKS if content.startswith(mark)), encoding)
    try:
        return content.decode(known)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise TableError(
            f"Line {line} is not {ENCODINGS.get(known, 'UTF-16')} text. Save the file as 'CSV UTF-8', or "
            "choose the encoding it was saved in."
        ) from None


def _separator(text: str) -> str:
    """Return the one sign that cuts the first lines into equally many cells."""
    fitting = []
    for sign in SEPARATORS.values():
        widths = set()
        try:
            for _, (_, row) in zip(range(_LOOKED_AT), _cells(text, sign), strict=False):
                if any(not is_blank(cell) for cell in row):
                    widths.add(len(row))
        except TableError:
            pass
        if widths and widths != {1}:
            fitting.append((sign, len(widths)))
    even = [sign for sign, different in fitting if different == 1]
    if len(even) == 1:
        return even[0]
    if not fitting:
        return ","  # one column: any sign will do
    if len(fitting) == 1:
        return fitting[0][0]  # uneven rows are said row by row
    names = " or ".join(name for name, sign in SEPARATORS.items() if sign in {one for one, _ in fitting})
    raise TableError(f"The columns could be separated by {names}. Choose the separator.")


def _cells(text: str, sign: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign, strict=True)
    number = 0
    while True:
        start = reader.line_num + 1
        try:
            row = next(reader, None)
        except csv.Error as error:
            raise TableError(f"Line {start} cannot be read: {_reason(str(error))}.") from None
        if row is None:
            return
        number += 1
        for cell in row:
            if len(cell) > MAX_CELL:
                raise TableError(f"Row {number} has a cell of more than {MAX_CELL} characters.")
        yield number, row


def _reason(said: str) -> str:
    if "unexpected end" in said:
        return "a quotation mark is not closed"
    if "expected after" in said:
        return "a quotation mark is closed in the middle of a cell"
    if "field larger" in said:
        return "a cell is too long, perhaps because a quotation mark is not closed"
    return said


def _as_wide(width: int, rows: Iterator[tuple[int, list[str]]]) -> Iterator[Row]:
    """Mark a row that was cut short: whose value is missing cannot be known."""
    for number, row in rows:
        if 0 < len(row) < width and any(row):
            cut = Fault(f"the row has {len(row)} cells, the first row has {width}")
            yield number, [*row, *[None] * (width - len(row)), cut]
        else:
            yield number, row
