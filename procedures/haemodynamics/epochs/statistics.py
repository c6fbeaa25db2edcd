"""Mean, spread and honest standard error of one metric over the beats of an epoch."""

from __future__ import annotations

import numpy as np

from ..results import MetricSummary
from ..signals import FloatArray

LONG_SERIES = 30


def _autocorrelation(x: FloatArray, lags: int) -> FloatArray:
    """Sample autocorrelation at lags 1 to ``lags``, denominators n (the usual biased form)."""
    centred = x - x.mean()
    power = float(centred @ centred)
    if not power > 0:
        return np.zeros(lags)
    return np.array([centred[k:] @ centred[: x.size - k] for k in range(1, lags + 1)]) / power


def _effective_number(x: FloatArray) -> float:
    """Number of independent values that would fix the mean as well as these do; between 1 and n.

    From 30 values on: n/(1 + 2·sum of autocorrelations), the sum cut at the first negative pair (initial positive
    sequence, Geyer, Stat Sci 1992;7:473, from memory). Shorter: n·(1 − r)/(1 + r), r being the lag-one
    autocorrelation corrected for its bias in short series, (n·r + 1)/(n − 3) (Kendall 1954, from memory).
    """
    n = x.size
    if n < 5 or not np.ptp(x) > 0:
        return float(n)
    if n < LONG_SERIES:
        r = float(np.clip((n * _autocorrelation(x, 1)[0] + 1) / (n - 3), 0.0, 0.9))
        return float(np.clip(n * (1 - r) / (1 + r), 1.0, n))
    rho = _autocorrelation(x, min(n // 3, 200))
    pairs = np.concatenate(([1.0], rho))[: 2 * ((rho.size + 1) // 2)].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    inflation = 2 * pairs[: negative[0] if negative.size else None].sum() - 1
    return float(np.clip(n / max(inflation, 1e-9), 1.0, n))


def _summarise(x: FloatArray) -> MetricSummary | None:
    """Summary over the finite values, or ``None`` when there is none; SD and error are NaN for a single value."""
    values = x[np.isfinite(x)]
    if values.size == 0:
        return None
    n = int(values.size)
    effective = _effective_number(values)
    sd = float(values.std(ddof=1)) if n > 1 else float("nan")
    return MetricSummary(float(values.mean()), sd, n, sd / float(np.sqrt(effective)), effective)
