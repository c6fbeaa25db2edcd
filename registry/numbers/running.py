"""Running codes such as ``P-0042`` or ``S-2026-0042``: one rule for how they are written and read."""

from __future__ import annotations

import re

# A longer number in an imported code is a date or a number of another kind; the series does not jump to it.
_RUNNING = re.compile(r"(.*-)([0-9]{1,6})")


def code_of(series: str, number: int) -> str:
    """Return the code of a number in a series: ``P-`` and 42 make ``P-0042``."""
    return f"{series}{number:04d}"


def series_and_number(code: str, series_pattern: str) -> tuple[str, int] | None:
    """Return the series and the number of a code, or ``None`` when it is no running code of the pattern.

    ``P-K17``, ``P-²`` and ``S-2026-0042b`` are codes like any other, but no running ones.
    """
    found = _RUNNING.fullmatch(code)
    if found is None or re.fullmatch(series_pattern, found[1]) is None:
        return None
    return found[1], int(found[2])


def highest_numbers(codes: list[str], series_pattern: str) -> dict[str, int]:
    """Return the highest number by series; codes that are no running ones are left out."""
    highest: dict[str, int] = {}
    for code in codes:
        if found := series_and_number(code, series_pattern):
            highest[found[0]] = max(highest.get(found[0], 0), found[1])
    return highest
