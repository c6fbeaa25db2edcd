"""From the content of a file to its table, by what it is rather than by its name."""

from __future__ import annotations

from registry.importing.csv_table import read_csv
from registry.importing.table import MAX_BYTES, Table, TableError
from registry.importing.xlsx_table import is_xlsx, read_xlsx


def read_table(content: bytes, *, sheet: str = "", encoding: str = "utf-8", separator: str = "") -> Table:
    """Read a CSV or XLSX file.

    Raises
    ------
    TableError
        With a sentence that says what is wrong and what to do.
    """
    if len(content) > MAX_BYTES:
        raise TableError(f"The file is larger than {MAX_BYTES // 1024**2} MB.")
    if not content.strip():
        raise TableError("The file is empty.")
    if is_xlsx(content):
        return read_xlsx(content, sheet=sheet)
    if content.startswith((b"%PDF", b"{\\rtf", b"<!DOCTYPE", b"<html", b"\x89PNG")):
        raise TableError("The file is neither CSV nor XLSX. Save the table as one of the two.")
    return read_csv(content, encoding=encoding, separator=separator)
