"""Reading one cell as a number, a day, a moment or a word, under what was agreed for the whole file."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from registry.days import in_words
from registry.importing.table import Cell, Fault
from registry.importing.xlsx_table import Shown
from registry.numbers.outside import FIRST_YEAR, LARGEST, NotANumber, decimal_number

EARLIEST = dt.date(FIRST_YEAR, 1, 1)
# A day in the future is refused by its field, in its own words; this one only keeps clear of the calendar's end.
LATEST = dt.date(9998, 12, 31)
ORDERS = {"dmy": "day, month, year", "mdy": "month, day, year"}
SERIALS = {"1900": dt.date(1899, 12, 30), "1904": dt.date(1904, 1, 1)}
SERIAL_RANGE = (1.0, 80_000.0)
_NUMBER = {
    ".": re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII),
    ",": re.compile(r"[+-]?(\d+(,\d*)?|,\d+)([eE][+-]?\d{1,2})?", re.ASCII),
}
_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})|(\d{4})/(\d{1,2})/(\d{1,2})|(\d{4})\.(\d{1,2})\.(\d{1,2})", re.ASCII)
_PARTS = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4})", re.ASCII)
_SHORT = re.compile(r"\d{1,2}[./-]\d{1,2}[./-]\d{2}", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?", re.ASCII)


class CellError(ValueError):
    """A cell cannot be read as what its column is for; the text says why."""


@dataclass(frozen=True)
class Agreed:
    """What was settled for the file as a whole: nothing here has a default that could be wrong unnoticed.

    ``date_order``, ``serial`` and ``decimal`` are empty until somebody said, or the file proves, which it is.
    """

    date_order: str = ""
    serial: str = ""
    decimal: str = ""
    missing: frozenset[str] = frozenset()
    zone: str = "UTC"


def text_in(cell: Cell, agreed: Agreed) -> str | None:
    """Return a cell's text without stray blanks; None when it is blank or a word that means missing."""
    if cell is None:
        return None
    if isinstance(cell, str):
        text = " ".join(cell.split()) if cell[:1].isspace() or cell[-1:].isspace() or "\u00a0" in cell else cell
        return None if not text or text.casefold() in agreed.missing else text
    if isinstance(cell, Fault):
        raise CellError(cell.sentence)
    if isinstance(cell, Shown) and "%" not in cell.shown_as:
        raise CellError("is a formatted number, so its digits may differ from what you see; store it as text")
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return str(cell)


def number_in(cell: Cell, agreed: Agreed) -> float | None:
    """Return a cell's number; None when it is missing.

    Raises
    ------
    CellError
        When it is none, or could be two.
    """
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        if not -LARGEST <= cell <= LARGEST:  # NaN is not either
            raise CellError("is not a number of a possible size")
        return float(cell)
    if isinstance(cell, dt.datetime | dt.date | dt.time):
        raise CellError(f"{cell} is a date, not a number; the spreadsheet may have converted the number")
    text = text_in(cell, agreed)
    if text is None:
        return None
    text = text.replace("−", "-")
    if not _NUMBER[agreed.decimal or "."].fullmatch(text):
        if agreed.decimal and _NUMBER[","].fullmatch(text) and agreed.decimal == ".":
            raise CellError(f"'{text}' has a comma, but the decimal sign of this file is a point")
        if agreed.decimal and _NUMBER["."].fullmatch(text) and agreed.decimal == ",":
            raise CellError(f"'{text}' has a point, but the decimal sign of this file is a comma")
        raise CellError(f"'{text[:60]}' is not a number")
    if not agreed.decimal and "." in text:
        raise CellError(f"'{text}' has a decimal sign, but none was chosen for this file")
    try:
        return decimal_number(text.replace(",", "."))
    except NotANumber:
        raise CellError(f"'{text[:60]}' is not a number of a possible size") from None


def day_in(cell: Cell, agreed: Agreed) -> dt.date | None:
    """Return a cell's day; None when it is missing.

    Raises
    ------
    CellError
        When it is none, could be two, is before 1900 or after 9998.
    """
    if isinstance(cell, dt.datetime):
        if cell.time() != dt.time(0):
            raise CellError(f"{in_words(cell)}, {cell:%H:%M} has a time of day, but only a date is expected")
        return _possible(cell.date())
    if isinstance(cell, dt.date):
        return _possible(cell)
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return _serial(float(cell), agreed)
    text = text_in(cell, agreed)
    return None if text is None else _day(text, agreed)


def moment_in(cell: Cell, agreed: Agreed) -> dt.datetime | None:
    """Return a cell's moment, on the clock of the file's time zone; a day alone is its midnight; None when missing."""
    zone = ZoneInfo(agreed.zone)
    if isinstance(cell, dt.datetime):
        _possible(cell.date())
        return cell.replace(tzinfo=cell.tzinfo or zone)
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        number = number_in(cell, agreed) or 0.0
        day = _serial(float(int(number)), agreed)
        return dt.datetime.combine(day, dt.time(0), zone) + dt.timedelta(seconds=round(86400 * (number % 1)))
    if isinstance(cell, dt.date):
        return dt.datetime.combine(_possible(cell), dt.time(0), zone)
    text = text_in(cell, agreed)
    if text is None:
        return None
    day_text, _, clock = text.replace("T", " ", 1).partition(" ")
    return dt.datetime.combine(_day(day_text, agreed), _clock(clock.strip()), zone)


def _clock(text: str) -> dt.time:
    if not text:
        return dt.time(0)
    found = _CLOCK.fullmatch(text)
    try:
        if found:
            return dt.time(int(found[1]), int(found[2]), int(found[3] or 0))
    except ValueError:
        pass
    raise CellError(f"'{text[:30]}' is not a time of day such as 14:05")


@lru_cache(maxsize=20_000)
def _day(text: str, agreed: Agreed) -> dt.date:
    if found := _ISO.fullmatch(text):
        year, month, day = (int(part) for part in found.groups() if part)
    elif found := _PARTS.fullmatch(text):
        first, second, year = (int(part) for part in found.groups())
        if not agreed.date_order:
            raise CellError(
                f"'{text}' could be two different dates, and no order of day and month was chosen for this file"
            )
        day, month = (first, second) if agreed.date_order == "dmy" else (second, first)
    elif _SHORT.fullmatch(text):
        raise CellError(f"'{text}' has a two-digit year; write all four digits")
    elif re.fullmatch(r"[0-9]{4,6}([.,][0-9]{1,15})?", text):
        return _serial(float(text.replace(",", ".")), agreed)
    else:
        raise CellError(f"'{text[:40]}' is not a date such as 2024-03-27")
    try:
        return _possible(dt.date(year, month, day))
    except ValueError as error:
        if isinstance(error, CellError):
            raise
        order = f" read as {ORDERS[agreed.date_order]}" if agreed.date_order and not _ISO.fullmatch(text) else ""
        raise CellError(f"'{text}'{order} is not a calendar date") from None


def _serial(number: float, agreed: Agreed) -> dt.date:
    if not agreed.serial:
        raise CellError(f"{number:g} is a number; it was not chosen whether numbers are dates in this file")
    if not SERIAL_RANGE[0] <= number <= SERIAL_RANGE[1] or number % 1:
        raise CellError(f"{number:g} is not a valid day count from {agreed.serial}")
    return _possible(SERIALS[agreed.serial] + dt.timedelta(days=int(number)))


def _possible(day: dt.date) -> dt.date:
    if day < EARLIEST:
        raise CellError(f"{in_words(day)} is before 1900")
    if day > LATEST:
        raise CellError(f"{in_words(day)} is after {LATEST.year}")
    return day


def proves(text: str) -> dict[str, Any]:
    """Return what one text proves about the file: the decimal sign, the order of a date, or that it could be two."""
    if found := _PARTS.fullmatch(text):
        first, second = int(found[1]), int(found[2])
        if first > 12 >= second:
            return {"date_order": "dmy"}
        if second > 12 >= first:
            return {"date_order": "mdy"}
        return {} if first == second else {"date_order": ""}
    if re.fullmatch(r"[0-9]{4,6}([.,][0-9]{1,15})?", text):
        return {"serial": ""}
    return {}


_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)


def decimal_proof(text: str) -> str | None:
    """Return the decimal sign a number's text proves, an empty text when it could be either, None when it has none."""
    text = text.replace("−", "-")
    if _GROUPED.fullmatch(text):
        return ""
    if "," in text and _NUMBER[","].fullmatch(text):
        return ","
    if "." in text and _NUMBER["."].fullmatch(text):
        return "."
    return None
