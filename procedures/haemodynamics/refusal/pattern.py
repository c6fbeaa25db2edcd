"""Patterns in a train of cycles: beats that alternate, ectopic beats at a fixed distance, runs, beats in between."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..settings import Settings
from ..signals import FloatArray

Mask = NDArray[np.bool_]

FEWEST_IN_CHAIN = 3


def _alike(x: FloatArray, spread: float) -> bool:
    """Whether intervals lie within ``spread`` (as a fraction) of their median, all but one in five."""
    middle = np.median(x)
    return bool(np.quantile(np.abs(x / middle - 1), 0.8) <= spread)


def _alternating(preceding: FloatArray, following: FloatArray, settings: Settings) -> Mask:
    """Early beats of a bigeminal stretch, shape (n,).

    Short and long intervals take turns at least three times, the short ones alike and the long ones alike. In atrial
    fibrillation they take turns by chance, but of unlike length.
    """
    found: Mask = np.zeros(preceding.size, dtype=bool)
    before = np.concatenate(([np.nan], preceding[:-1]))
    with np.errstate(invalid="ignore"):
        # The first early beat of a stretch follows a plain interval, every other one a long one.
        dip = (preceding < (1 - settings.premature_fraction) * following) & ~(preceding > before)
    start = 0
    while start < dip.size:
        if not dip[start]:
            start += 1
            continue
        end = start
        while end + 2 < dip.size and dip[end + 2] and not dip[end + 1]:
            end += 2
        early = np.arange(start, end + 1, 2)
        if (
            early.size >= FEWEST_IN_CHAIN
            and _alike(preceding[early], settings.alike_fraction)
            and _alike(following[early], settings.alike_fraction)
        ):
            found[early] = True
            start = end + 1
        else:
            start += 1
    return found


def _interpolated(
    ectopic: Mask, preceding: FloatArray, following: FloatArray, after: FloatArray, reference: FloatArray
) -> Mask:
    """Ectopic beats between two normal ones that come as if nothing had happened.

    Together the intervals before and after make less than 1.2 normal ones (a beat that resets the sinus node makes
    more; limit of our own). Neither a pause nor another early beat follows, and no ectopic beat goes before: those are
    couplets and runs.
    """
    first = ~np.concatenate(([False], ectopic[:-1]))
    with np.errstate(invalid="ignore"):
        whole = (preceding + following) / reference
        keeps_time = (after > 0.8 * reference) & (after < 1.15 * reference)
        return np.asarray(ectopic & first & (whole > 0.8) & (whole < 1.2) & keeps_time)


def _runs(flags: Mask) -> list[tuple[int, int]]:
    """First index and length of each run of flagged beats."""
    padded = np.concatenate(([False], flags, [False])).astype(np.int8)
    first = np.flatnonzero(np.diff(padded) == 1)
    last = np.flatnonzero(np.diff(padded) == -1)
    return [(int(a), int(b - a)) for a, b in zip(first, last, strict=True)]


def _in_steps_of(flags: Mask, step: int) -> int:
    """How many flagged beats stand in chains of three or more, each ``step`` beats after the one before."""
    places = np.flatnonzero(flags)
    if places.size < FEWEST_IN_CHAIN:
        return 0
    links = np.diff(places) == step
    return sum(length + 1 for _, length in _runs(links) if length + 1 >= FEWEST_IN_CHAIN)
