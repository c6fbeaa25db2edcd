"""Statistics of the audit: pure NumPy and SciPy, usable from a notebook."""

from analytics.statistics.proportions import Interval, wilson_interval
from analytics.statistics.spread import Spread, spread

__all__ = ["Interval", "Spread", "spread", "wilson_interval"]
