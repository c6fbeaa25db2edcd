"""Haemodynamic and electrical facts of the sites side by side, and which sites no other beats on all counts.

No score and no choice: a site leaves the Pareto set only when another is at least as good on every count and better
on one by more than measurement allows. What is not known is never held against a site.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Criterion:
    """One count: ``better`` is 1 when more is better, -1 when less; below ``resolution`` two values are equal."""

    key: str
    label: str
    better: int
    unit: str = ""
    resolution: float = 0.0


@dataclass(frozen=True)
class Fact:
    """A value of a site; ``at_least`` marks a bound, as in 'no phrenic stimulation up to 10 V'."""

    value: float
    at_least: bool = False


@dataclass(frozen=True)
class Weighing:
    """Facts by site and criterion, the sites that none beats, and for the others one that does."""

    criteria: tuple[Criterion, ...]
    facts: Mapping[str, Mapping[str, Fact | None]]
    unbeaten: tuple[str, ...]
    beaten_by: Mapping[str, str]


def weigh(sites: Mapping[str, Mapping[str, Fact | None]], criteria: Sequence[Criterion]) -> Weighing:
    """Lay the facts out and find the Pareto set.

    Parameters
    ----------
    sites
        For each site its facts by criterion key; a criterion that is absent or None is not known.
    criteria
        The counts that matter; which they are is the team's choice.

    Returns
    -------
    Weighing
        The facts as a table, and the sites that no other beats on every count.
    """
    facts = {site: {c.key: known.get(c.key) for c in criteria} for site, known in sites.items()}
    beaten_by: dict[str, str] = {}
    for site, own in facts.items():
        for rival, other in facts.items():
            if rival != site and _beats(other, own, criteria):
                beaten_by[site] = rival
                break
    return Weighing(tuple(criteria), facts, tuple(s for s in facts if s not in beaten_by), beaten_by)


def _beats(a: Mapping[str, Fact | None], b: Mapping[str, Fact | None], criteria: Sequence[Criterion]) -> bool:
    better_somewhere = False
    for c in criteria:
        mine, theirs = a[c.key], b[c.key]
        if mine is None and theirs is None:
            continue
        if mine is None or theirs is None:
            return False
        lead = c.better * (mine.value - theirs.value)
        if mine.at_least and theirs.at_least:
            continue  # neither limit was found: they are not told apart
        if theirs.at_least or (mine.at_least and lead < 0):
            return False
        if lead < 0:
            return False
        better_somewhere = better_somewhere or lead > c.resolution
    return better_somewhere
