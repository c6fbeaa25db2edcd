"""Numbers as they come from outside: from addresses, headers, cells, files and command lines.

``str.isdigit`` says yes to ``²``, which ``int`` refuses; ``int`` refuses 5,000 digits, which ``float`` makes infinite;
both read digits of other scripts. Here a number is written in the digits 0 to 9 and lies between two bounds.
"""

from __future__ import annotations

import datetime as dt
import math
import re

MOST_SHOWN = 40
# Larger than anything that is counted or measured here, and exact as a float.
LARGEST = 1e15
FIRST_YEAR, LAST_YEAR = 1900, 2199
_WHOLE = re.compile(r"[+-]?[0-9]{1,20}")
_DECIMAL = re.compile(r"[+-]?([0-9]{1,400}(\.[0-9]{0,400})?|\.[0-9]{1,400})([eE][+-]?[0-9]{1,3})?")


class NotANumber(ValueError):
    """A text is no number, or one out of bounds; the message is a sentence for the person who sent it."""


def whole_number(text: str, low: int, high: int) -> int:
    """Return a whole number between two bounds, both included.

    Raises
    ------
    NotANumber
        With a sentence that names the bounds.
    """
    if _WHOLE.fullmatch(text) and low <= int(text) <= high:
        return int(text)
    raise NotANumber(f"'{shown(text)}' is not a whole number from {low} to {high}.")


def decimal_number(text: str, low: float = -LARGEST, high: float = LARGEST) -> float:
    """Return a number with a decimal point, between two bounds, both included; never infinite and never NaN.

    Raises
    ------
    NotANumber
        With a sentence.
    """
    if not _DECIMAL.fullmatch(text):
        raise NotANumber(f"'{shown(text)}' is not a number.")
    number = float(text)
    if not low <= number <= high:
        bounds = f"between {low:g} and {high:g}" if (low, high) != (-LARGEST, LARGEST) else "of a possible size"
        raise NotANumber(f"'{shown(text)}' is not a number {bounds}.")
    return number


def shown(text: str) -> str:
    """Return a text from outside short enough for a message."""
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}…"


def impossible(value: object) -> str:
    """Return a sentence about a value that no record can hold, or nothing: not finite, or a year out of bounds."""
    if isinstance(value, float) and not math.isfinite(value):
        return "Enter a number."
    if isinstance(value, dt.date) and not FIRST_YEAR <= value.year <= LAST_YEAR:
        return f"Enter a date between {FIRST_YEAR} and {LAST_YEAR}."
    return ""
