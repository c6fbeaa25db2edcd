"""A response class as it is shown: the verdict, what it rests on, the rule and where the rule was published."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

NOT_ASSESSABLE = "not_assessable"


def _signed(value: float, digits: int, limits: Iterable[float]) -> str:
    """Return a change with its sign, with as many digits as it takes not to look like a limit it only comes near."""
    while digits < 9 and any(value != limit and round(value, digits) == limit for limit in limits):
        digits += 1
    return f"{value:+.{digits}f}"


@dataclass(frozen=True)
class Judgement:
    """One definition applied to one implant. ``reason`` names the numbers, or what is missing."""

    definition: str
    verdict: str
    word: str
    reason: str
    rule: str
    source: str

    @property
    def assessable(self) -> bool:
        """Whether there was enough to judge."""
        return self.verdict != NOT_ASSESSABLE
