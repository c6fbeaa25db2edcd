"""Texts in tables that somebody may open in a spreadsheet."""

from __future__ import annotations

import re
from typing import Any

# A spreadsheet takes a cell that begins like this for a formula and would run it: some pass over space before it, some
# read the full-width signs of East Asian keyboards alike.
_FORMULA = re.compile(r"[\s\x00-\x20\u200b-\u200f\u2060\ufeff]*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n]")


def harmless(cell: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula; numbers stay numbers."""
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell
