"""Intervals of a proportion."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from scipy.special import ndtri


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
        When ``total`` is below 1, ``events`` lies outside 0 to ``total``, or ``confidence`` outside 0 to 1. A
        proportion of nothing has no interval: the caller says "not applicable".

    References
    ----------
    Wilson, J Am Stat Assoc 1927;22:209. Newcombe, Stat Med 1998;17:857, methods 3 (uncorrected) and 4 (corrected).
    """
    if total < 1:
        raise ValueError("A proportion needs a total of 1 or more.")
    if not 0 <= events <= total:
        raise ValueError(f"{events} events do not fit into a total of {total}.")
    if not 0 < confidence < 1:
        raise ValueError("The confidence level lies between 0 and 1.")
    z = float(ndtri((1 + confidence) / 2))
    n, p = float(total), events / total
    q = 1 - p
    if continuity:
        centre, width = 2 * n * p + z**2, 2 * (n + z**2)
        low = (centre - 1 - z * sqrt(max(0.0, z**2 - 2 - 1 / n + 4 * p * (n * q + 1)))) / width
        high = (centre + 1 + z * sqrt(max(0.0, z**2 + 2 - 1 / n + 4 * p * (n * q - 1)))) / width
    else:
        centre, width = p + z**2 / (2 * n), 1 + z**2 / n
        half = z * sqrt(p * q / n + z**2 / (4 * n**2))
        low, high = (centre - half) / width, (centre + half) / width
    # The ends are exact by definition; rounding would leave some 1e-17.
    return Interval(0.0 if events == 0 else max(0.0, low), 1.0 if events == total else min(1.0, high))
