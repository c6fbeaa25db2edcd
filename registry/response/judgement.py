"""A response class as it is shown: the verdict, what it rests on, the rule and where the rule was published."""

from __future__ import annotations

from dataclasses import dataclass

NOT_ASSESSABLE = "not_assessable"


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
