"""The two estimates nobody has to trust a model for: paired with neighbouring baselines, and unpaired."""

from __future__ import annotations

import numpy as np
from scipy.special import stdtrit

from procedures.acute_response.values import FloatArray

Triple = tuple[float | None, float | None, float | None]


def t_interval(changes: FloatArray) -> Triple:
    """Mean of the replicates with its 95 % interval ``mean +- t(k-1) SD / sqrt(k)``; no interval from one alone."""
    if changes.size == 0:
        return None, None, None
    mean = float(changes.mean())
    if changes.size == 1:
        return mean, None, None
    half = float(stdtrit(changes.size - 1, 0.975) * changes.std(ddof=1) / np.sqrt(changes.size))
    return mean, mean - half, mean + half


def paired_changes(means: FloatArray, times: FloatArray, state: FloatArray, site: int) -> FloatArray:
    """Percent change of each visit to ``site``: visit / mean(baseline before, baseline after) - 1.

    Visits with a baseline on one side only are compared with that one when no visit of the site has both
    (J Card Fail 2014, PMID 24508810; formula of REFERENCES 2.1). Epochs must be in order of time.
    """
    base = np.flatnonzero(state < 0)
    visits = np.flatnonzero(state == site)
    after = np.searchsorted(base, visits)
    both = (after > 0) & (after < base.size)
    if both.any():
        visits, after = visits[both], after[both]
        reference = 0.5 * (means[base[after - 1]] + means[base[after]])
    else:
        reference = means[base[np.clip(np.where(after > 0, after - 1, after), 0, base.size - 1)]]
    changes: FloatArray = 100.0 * (means[visits] / reference - 1.0)
    return changes


def unpaired_change(means: FloatArray, state: FloatArray, site: int) -> Triple:
    """Percent change of the site's mean against the mean of all baselines of the session, Welch's interval."""
    base, visits = means[state < 0], means[state == site]
    change = 100.0 * (float(visits.mean()) / float(base.mean()) - 1.0)
    if base.size < 2 or visits.size < 2:
        return change, None, None
    parts = np.array([visits.var(ddof=1) / visits.size, base.var(ddof=1) / base.size])
    total = float(parts.sum())
    if total == 0:
        return change, change, change
    freedom = total**2 / float((parts**2 / np.array([visits.size - 1, base.size - 1])).sum())
    half = 100.0 * float(stdtrit(freedom, 0.975)) * np.sqrt(total) / abs(float(base.mean()))
    return change, change - half, change + half
