"""Intervals of a proportion."""

from __future__ import annotations

from typing import NamedTuple

from scipy.stats import binomtest


class Interval(NamedTuple):
    """A closed interval of a proportion, as fractions from 0 to 1."""

    low: float
    high: float


def wilson_interval(events: int, total: int, *, confidence: float = 0.95, continuity: bool = False) -> Interval:
    """Return the score interval of a binomial proportion.

    Parameters
    ----------
    events
        Number of cases that count, 0 to ``total``.
    total
        Number of cases looked at, 1 or more.
    confidence
        Two-sided confidence level, between 0 and 1.
    continuity
        Whether to correct for continuity. The corrected interval is wider; the audit shows the uncorrected one.

    Returns
    -------
    Interval
        Lower and upper limit as fractions. With no events the lower limit is exactly 0, with all of them the upper
        limit exactly 1.

    Raises
    ------
    ValueError
        When ``total`` is below 1, ``events`` lies outside 0 to ``total``, or ``confidence`` is NaN or outside 0 to 1. A
        proportion of nothing has no interval: the caller says "not applicable".

    References
    ----------
    Wilson, J Am Stat Assoc 1927;22:209. Newcombe, Stat Med 1998;17:857, methods 3 (uncorrected) and 4 (corrected).
    Worked out by ``scipy.stats``.
    """
    if total < 1:
        raise ValueError("A proportion needs a total of 1 or more.")
    if not 0 <= events <= total:
        raise ValueError(f"{events} events do not fit into a total of {total}.")
    if not 0 < confidence < 1:
        raise ValueError("The confidence level lies between 0 and 1.")
    low, high = binomtest(events, total).proportion_ci(confidence, method="wilsoncc" if continuity else "wilson")
    return Interval(float(low), float(high))
