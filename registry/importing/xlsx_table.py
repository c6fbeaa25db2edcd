"""Reading XLSX, row by row, after a look at the package: what it would unfold to, merged cells, formulas."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

from registry.importing.table import (
    MAX_CELL,
    MAX_ROWS,
    Cell,
    Fault,
    Row,
    Table,
    TableError,
    header_of,
    is_blank,
    rows_under,
)
from registry.numbers.outside import whole_number

MAX_UNFOLDED = 400 * 1024**2
MAX_ENTRIES = 1000
# Elements of a sheet, and of the parts that stand beside all sheets: what is looked through while somebody waits.
MAX_ELEMENTS = 8_000_000
_MOST_IN = {"sharedstrings.xml": 2_000_000, "styles.xml": 300_000, "workbook.xml": 20_000}
_TOO_FULL = "The workbook has more cells than can be read; split it into several files."
_LAST_ROW = 1_048_576  # of the format
_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_BROKEN = "The file cannot be read as XLSX; open it in a spreadsheet program and save it again."
_ERRORS = {"#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!"}
# Stored numbers in these formats look the same as text; in another, such as 00000, digits that people see are lost.
_PLAIN_NUMBER = {"General", "0", "@", "0.00", "#,##0", "#,##0.00"}


def is_xlsx(content: bytes) -> bool:
    """Say whether the content is a package, or an old binary workbook that must be refused as such."""
    return content.startswith((b"PK\x03\x04", b"PK\x05\x06", _OLD))


def read_xlsx(content: bytes, *, sheet: str = "") -> Table:
    """Read one sheet of a workbook; with one visible sheet its name need not be given.

    Raises
    ------
    TableError
        With a sentence that says what to do.
    """
    if content.startswith(_OLD):
        raise TableError("The file is an old XLS or protected by a password. Save it as XLSX without a password.")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            _unfoldable(package)
            _refuse_full(package)
            return _opened(content, _looks(package), sheet)
    except TableError:
        raise
    except MemoryError:
        raise TableError("The workbook is too large to be read.") from None
    except Exception as error:  # the library raises many kinds of error for a broken package
        raise TableError(_BROKEN) from error


def _unfoldable(package: zipfile.ZipFile) -> None:
    entries = package.infolist()
    if len(entries) > MAX_ENTRIES or sum(entry.file_size for entry in entries) > MAX_UNFOLDED:
        size = sum(entry.file_size for entry in entries) / 1024**2
        raise TableError(
            f"The workbook would expand to {size:.0f} MB in {len(entries)} parts; at most {MAX_UNFOLDED // 1024**2} MB "
            f"in {MAX_ENTRIES} parts are read."
        )


@dataclass
class _Look:
    """What a first pass over a sheet's XML found."""

    merged: list[str] = field(default_factory=list)
    formulas: bool = False
    row: int = 0
    last_row: int = 0
    elements: int = 0
    filled: int = 0
    counted: int = 0


_MOST_MERGED = 20
_MOST_STATED = 10**15  # far beyond what a sheet can have, so that the row can be named


def _look(stream: Any) -> _Look:
    """Walk a sheet's XML with a parser: what quotes, prefix or encoding it is written in must not matter."""
    look = _Look()
    parser = expat.ParserCreate(namespace_separator=" ")

    def begin(name: str, attributes: dict[str, str]) -> None:
        local = name.rpartition(" ")[2]
        look.elements += 1
        if look.elements > MAX_ELEMENTS:
            raise TableError(_TOO_FULL)
        if local in ("v", "t") and look.counted != look.row:
            look.counted, look.filled = look.row, look.filled + 1
            if look.filled > MAX_ROWS + 1:  # and the header
                raise TableError(f"The table has more than {MAX_ROWS} rows; split it into several files.")
        if local == "row":
            stated = attributes.get("r")
            look.row = whole_number(stated, 1, _MOST_STATED) if stated else look.row + 1
            look.last_row = max(look.last_row, look.row)
        elif local == "f":
            look.formulas = True
        elif local == "mergeCell" and len(look.merged) < _MOST_MERGED:
            look.merged.append(attributes.get("ref", "")[:20])

    def refuse(*_: Any) -> None:
        raise TableError(_BROKEN)  # a sheet needs no document type; entities in one could unfold without end

    parser.StartElementHandler, parser.StartDoctypeDeclHandler = begin, refuse
    while block := stream.read(1 << 20):
        parser.Parse(block, False)
    parser.Parse(b"", True)
    return look


def _refuse_full(package: zipfile.ZipFile) -> None:
    """Refuse shared texts and formats without end, which the library would read before the first row."""
    for entry in package.infolist():
        for name, most in _MOST_IN.items():
            if entry.filename.lower().endswith(name):
                with package.open(entry) as stream:
                    _refuse_more(stream, most)


def _refuse_more(stream: Any, most: int) -> None:
    count = 0

    def begin(*_: Any) -> None:
        nonlocal count
        count += 1
        if count > most:
            raise TableError(_TOO_FULL)

    parser = expat.ParserCreate()
    parser.StartElementHandler = begin
    while block := stream.read(1 << 20):
        parser.Parse(block, False)


def _looks(package: zipfile.ZipFile) -> dict[str, _Look]:
    """Look at every part, under any name, before the library does: it would walk a sheet whole for its size."""
    looks = {}
    for entry in package.infolist():
        with package.open(entry) as stream, suppress(expat.ExpatError):  # a picture; a broken sheet has no look
            looks[entry.filename] = _look(stream)
    return looks


def _opened(content: bytes, found: dict[str, _Look], wanted: str) -> Table:
    from openpyxl.reader.excel import ExcelReader  # type: ignore[import-untyped] # the library has no types

    # As load_workbook does; the reader says besides which entry of the package each sheet is.
    reader = ExcelReader(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
    reader.read()
    book = reader.wb
    places = {sheet.name: entry.target for sheet, entry in reader.parser.find_sheets()}
    visible = [ws for ws in book.worksheets if ws.sheet_state == "visible"]
    hidden = [ws.title for ws in book.worksheets if ws.sheet_state != "visible"]
    looks = {ws.title: found[places[ws.title]] for ws in visible}
    filled = [ws for ws in visible if looks[ws.title].last_row]
    names = tuple(ws.title for ws in filled)
    notes = [f"The hidden sheet '{title}' is left out." for title in hidden[:10]]
    if not filled:
        raise TableError(
            "Every sheet with data is hidden; unhide the one to import." if hidden else _empty(len(visible))
        )
    if wanted and wanted not in names:
        raise TableError(f"There is no visible sheet '{wanted}' with rows; the sheets are: {', '.join(names)}.")
    chosen = next(ws for ws in filled if not wanted or ws.title == wanted)
    if not wanted and len(filled) > 1:
        return Table((), iter(()), "", names, notes)
    look = looks[chosen.title]
    if look.last_row > _LAST_ROW:
        raise TableError(f"The sheet refers to row {look.last_row}, more than a workbook can have.")
    if look.merged:
        raise TableError(f"Cells are merged: {', '.join(look.merged[:5])}. Unmerge them: each row needs its own value.")
    formulas = _formulas(content, chosen.title) if look.formulas else None
    cells = _rows(chosen, formulas)
    first = next(cells, None)
    if first is None:
        raise TableError(_empty(1))
    if first[0] != 1:
        raise TableError("The first row is empty; it must contain the column names.")
    header = header_of(first[1])
    return Table(header, rows_under(header, _guarded(cells)), chosen.title, names, notes)


def _empty(count: int) -> str:
    return "The sheet is empty." if count == 1 else "Every sheet is empty."


def _guarded(cells: Iterator[Row]) -> Iterator[Row]:
    """Turn any error of the library in the middle of a sheet into a sentence."""
    try:
        yield from cells
    except TableError:
        raise
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, SyntaxError, zlib.error, EOFError) as error:
        raise TableError(_BROKEN) from error
    except zipfile.BadZipFile as error:
        raise TableError(_BROKEN) from error


def _formulas(content: bytes, title: str) -> Iterator[Sequence[Any]]:
    """Walk the sheet a second time for its formulas: one that was never worked out must not pass as missing."""
    from openpyxl import load_workbook  # type: ignore[import-untyped] # the library has no types

    sheet = load_workbook(io.BytesIO(content), read_only=True, data_only=False, keep_links=False)[title]
    sheet.reset_dimensions()
    return sheet.iter_rows()


def _rows(sheet: Any, formulas: Iterator[Sequence[Any]] | None) -> Iterator[Row]:
    sheet.reset_dimensions()  # a claimed size is not to be trusted
    for number, row in enumerate(sheet.iter_rows(), start=1):
        cells: list[Cell] = [_value(cell) for cell in row]
        if formulas is not None:
            for place, cell in enumerate(next(formulas)):
                if cell.data_type == "f" and is_blank(cells[place]):
                    cells[place] = Fault("the formula was not calculated; replace it with its value")
        if cells or number == 1:
            yield number, cells


def _value(cell: Any) -> Cell:
    value = cell.value
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        if len(value) > MAX_CELL:
            return Fault(f"the text is longer than {MAX_CELL} characters")
        return Fault(f"contains the error {value}") if cell.data_type == "e" or value in _ERRORS else value
    if isinstance(value, int | float) and cell.number_format not in _PLAIN_NUMBER:
        return Shown(value, cell.number_format)
    return value


class Shown(float):
    """A number whose format shows other digits than are stored, such as 00123 for 123, or 35 % for 0.35."""

    def __new__(cls, value: float, shown_as: str) -> Shown:
        """Keep the format beside the number."""
        made = super().__new__(cls, value)
        made.shown_as = shown_as
        return made

    shown_as: str
