"""Running codes for the rows of a table, given out in memory and counted on from the centre's counters."""

from __future__ import annotations

import re
from collections.abc import Iterable
from uuid import UUID

from registry.models import CodeCounter
from registry.numbers.running import code_of, series_and_number


class RunningCodes:
    """Gives the next free code of a series; codes that exist, or that a row of the file brought, are skipped."""

    def __init__(self, centre_id: UUID, taken: Iterable[str]) -> None:
        counters = CodeCounter.objects.filter(centre_id=centre_id)
        self._last = dict(counters.values_list("series", "last_number"))
        self._taken = set(taken)

    def given(self, code: str, series: str) -> None:
        """Note a code that a row brought."""
        self._taken.add(code)
        if found := series_and_number(code, re.escape(series)):
            self._last[series] = max(self._last.get(series, 0), found[1])

    def next(self, series: str) -> str:
        """Return the next free code of a series."""
        number = self._last.get(series, 0) + 1
        while (code := code_of(series, number)) in self._taken:
            number += 1
        self._last[series] = number
        return code
