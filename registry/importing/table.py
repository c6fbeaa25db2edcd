"""What a table from a spreadsheet is here, and the limits it must keep."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from registry.described.words import folded

MAX_BYTES = 64 * 1024**2
MAX_ROWS = 200_000
MAX_COLUMNS = 300
MAX_CELL = 10_000


class TableError(Exception):
    """The file cannot be read as a table; its text is shown to people as it stands."""


@dataclass(frozen=True)
class Fault:
    """A cell that holds no value but a problem, such as a formula that was never worked out."""

    sentence: str


Cell = str | float | int | bool | dt.datetime | dt.date | dt.time | Fault | None
Row = tuple[int, Sequence[Cell]]


@dataclass(frozen=True)
class Table:
    """One sheet: its column names, and its rows with their number in the file (the line of names is 1).

    ``rows`` can be walked once. ``notes`` say what was left out, such as a hidden sheet.
    """

    header: tuple[str, ...]
    rows: Iterator[Row]
    sheet: str = ""
    sheets: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)


def letters(position: int) -> str:
    """Return a column's letters as spreadsheets show them: 0 is A, 26 is AA."""
    name, number = "", position + 1
    while number:
        number, rest = divmod(number - 1, 26)
        name = chr(65 + rest) + name
    return name


def is_blank(cell: Cell) -> bool:
    """Say whether a cell holds nothing."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def header_of(cells: Sequence[Cell]) -> tuple[str, ...]:
    """Return the column names of a first row, trimmed of the blank tail.

    Raises
    ------
    TableError
        When there is none, names stand twice, or the row is no row of names.
    """
    names = [" ".join(str(cell).replace("\ufeff", "").split()) if not is_blank(cell) else "" for cell in cells]
    while names and not names[-1]:
        names.pop()
    if not names:
        raise TableError("The first row is empty; it must contain the column names.")
    if len(names) > MAX_COLUMNS:
        raise TableError(f"The table has {len(names)} columns; at most {MAX_COLUMNS} can be read.")
    if any(isinstance(cell, Fault) for cell in cells):
        raise TableError("The first row has a formula or an error; it must contain the column names.")
    first: dict[str, int] = {}
    for position, name in enumerate(names):
        if not name:
            continue
        if len(name) > 200:
            raise TableError(f"The name of column {letters(position)} is longer than 200 characters.")
        twin = first.setdefault(folded(name), position)
        if twin != position:
            raise TableError(
                f"Columns {letters(twin)} and {letters(position)} have the same name, '{name}'. Rename one of them."
            )
    return tuple(names)


def rows_under(header: Sequence[str], cells: Iterator[Row]) -> Iterator[Row]:
    """Yield the rows that hold something, each as wide as the header.

    Raises
    ------
    TableError
        When there are more rows than can be read.
    """
    width, count = len(header), 0
    for number, row in cells:
        if all(is_blank(cell) for cell in row):
            continue
        count += 1
        if count > MAX_ROWS:
            raise TableError(f"The table has more than {MAX_ROWS} rows; split it into several files.")
        if len(row) == width:
            yield number, row
        elif len(row) < width:
            yield number, [*row, *[None] * (width - len(row))]
        else:
            beyond = next((place for place in range(width, len(row)) if not is_blank(row[place])), None)
            if beyond is None:
                yield number, row[:width]
            else:
                found = row[beyond]
                unnamed = Fault(f"column {letters(beyond)} has a value but no name in the first row")
                fault = found if isinstance(found, Fault) else unnamed
                yield number, [*row[:width], fault]
