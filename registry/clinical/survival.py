"""How long generators and leads last: the product-limit (Kaplan-Meier) estimate with its interval, by SciPy."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Lifetime:
    """Days in service, and whether the part failed then; else it still served, or left service for another reason."""

    days: float
    failed: bool


@dataclass(frozen=True)
class Step:
    """Share of parts still in service after so many days, with its interval and the parts under observation then.

    ``low`` and ``high`` are None where the interval cannot be worked out: before the first failure.
    """

    days: float
    share: float
    low: float | None
    high: float | None
    at_risk: int
    failures: int

    @property
    def percent(self) -> str:
        """The share in percent."""
        return f"{100 * self.share:.1f}"

    @property
    def low_percent(self) -> str:
        """The lower limit in percent; empty where there is none."""
        return "" if self.low is None else f"{100 * self.low:.1f}"

    @property
    def high_percent(self) -> str:
        """The upper limit in percent; empty where there is none."""
        return "" if self.high is None else f"{100 * self.high:.1f}"


def survival(
    lifetimes: Sequence[Lifetime], at_days: Sequence[float] | None = None, *, level: float = 0.95
) -> list[Step]:
    """Return the product-limit estimate at each failure, or at the days asked for.

    Parameters
    ----------
    lifetimes
        One for each part; days above 0 or equal to it.
    at_days
        Days to report; those beyond the longest observation, and NaN, are left out, because nothing is known there.
    level
        Confidence level of the pointwise interval: exponential Greenwood, log(-log), as Kalbfleisch and Prentice.

    Returns
    -------
    list of Step
        In order of days; empty when there are no lifetimes.

    Notes
    -----
    ``scipy.stats.ecdf`` on ``CensoredData``; Kaplan and Meier, J Am Stat Assoc 1958;53:457.
    """
    # Imported here: the library takes a moment to load and is used on one page.
    from scipy.stats import CensoredData, ecdf

    if not lifetimes:
        return []
    days = np.array([one.days for one in lifetimes], dtype=float)
    failed = np.array([one.failed for one in lifetimes])
    wanted = np.unique(days[failed]) if at_days is None else np.array([day for day in at_days if day <= days.max()])
    if not failed.any():
        return [Step(float(day), 1.0, None, None, int((days >= day).sum()), 0) for day in wanted]
    estimate = ecdf(CensoredData(uncensored=days[failed], right=days[~failed])).sf
    with warnings.catch_warnings():
        # Undefined where all have failed: no interval is given there.
        warnings.filterwarnings("ignore", "The confidence interval is undefined", RuntimeWarning)
        limits: Any = estimate.confidence_interval(level, method="log-log")  # distributions, though stubs say floats
    steps = []
    for day in wanted:
        low, high = (float(one.evaluate(day)) for one in (limits.low, limits.high))
        known = bool((days[failed] <= day).any()) and np.isfinite(low) and np.isfinite(high)
        steps.append(
            Step(
                float(day),
                float(estimate.evaluate(day)),
                low if known else None,
                high if known else None,
                int((days >= day).sum()),
                int((days[failed] <= day).sum() if at_days is not None else (days[failed] == day).sum()),
            )
        )
    return steps
