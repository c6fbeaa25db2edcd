"""Where the middle of skewed numbers lies."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike


class Spread(NamedTuple):
    """Median and quartiles, in the unit of the values, and how many values there were."""

    median: float
    low_quartile: float
    high_quartile: float
    n: int


def spread(values: ArrayLike) -> Spread:
    """Return median and quartiles.

    Parameters
    ----------
    values
        One-dimensional, in any unit, at least one value. Missing values must be left out before.

    Returns
    -------
    Spread
        Quartiles by linear interpolation between order statistics (definition 7 of Hyndman and Fan).

    Raises
    ------
    ValueError
        When there is no value, or one that is not a finite number.

    References
    ----------
    Hyndman and Fan, Am Stat 1996;50:361.
    """
    numbers = np.asarray(values, dtype=float)
    if numbers.ndim != 1 or numbers.size == 0:
        raise ValueError("A median needs at least one value.")
    if not np.isfinite(numbers).all():
        raise ValueError("A median needs finite numbers; leave missing values out.")
    low, middle, high = np.quantile(numbers, (0.25, 0.5, 0.75), method="linear")
    return Spread(float(middle), float(low), float(high), int(numbers.size))
