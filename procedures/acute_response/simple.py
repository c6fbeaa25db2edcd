"""The two estimates nobody has to trust a model for: against neighbouring baselines, and against the first."""

from __future__ import annotations

import numpy as np
from scipy.special import stdtrit

from procedures.acute_response.values import FloatArray, IntArray


def paired_changes(means: FloatArray, state: IntArray) -> tuple[FloatArray, IntArray]:
    """Percent change of each visit against the baselines next to it: visit / mean(baseline before, baseline after) - 1.

    A visit with a baseline on one side only is compared with that one, unless another visit of its site has both.

    Parameters
    ----------
    means
        Epoch means in order of time, any unit, shape (n,).
    state
        -1 at baselines, else the site's index, shape (n,).

    Returns
    -------
    changes, site
        Change in percent and index of the site, one for each visit that counts; NaN where a mean used is NaN.

    References
    ----------
    J Card Fail 2014, PMID 24508810, for visits between two baselines; the choice with one is our own definition.
    """
    base, visits = np.flatnonzero(state < 0), np.flatnonzero(state >= 0)
    after = np.searchsorted(base, visits)
    before = means[base[np.maximum(after - 1, 0)]]
    following = means[base[np.minimum(after, base.size - 1)]]
    reference = np.where(after == 0, following, np.where(after == base.size, before, 0.5 * (before + following)))
    both = (after > 0) & (after < base.size)
    site = state[visits]
    has_both = np.bincount(site[both], minlength=int(site.max()) + 1) > 0
    use = both | ~has_both[site]
    return 100.0 * (means[visits[use]] / reference[use] - 1.0), site[use]


def replicate_intervals(changes: FloatArray, site: IntArray, sites: int) -> FloatArray:
    """Mean of the visits of each site and its interval ``mean +- t(k-1) SD / sqrt(k)``.

    Parameters
    ----------
    changes
        Change of each visit, percent, shape (n,).
    site
        Index of its site, shape (n,).
    sites
        Number of sites.

    Returns
    -------
    ndarray of shape ``(sites, 3)``
        Mean, low and high, percent; no limits (NaN) from a single visit, and nothing but NaN with a change that is NaN.

    References
    ----------
    Interval of a mean by Student's t: common practice, no source.
    """
    k = np.bincount(site, minlength=sites)
    mean = np.bincount(site, changes, sites) / np.maximum(k, 1)
    squares = np.bincount(site, (changes - mean[site]) ** 2, sites)
    freedom = np.maximum(k - 1, 1)
    half = stdtrit(freedom, 0.975) * np.sqrt(squares / freedom / np.maximum(k, 1))
    half = np.where(k > 1, half, np.nan)
    return np.stack([mean, mean - half, mean + half], axis=1)


def unpaired_changes(means: FloatArray, state: IntArray) -> tuple[FloatArray, IntArray]:
    """Percent change of each visit against the first baseline of the session, as if nothing had drifted since.

    Parameters
    ----------
    means
        Epoch means in order of time, any unit, shape (n,).
    state
        -1 at baselines, else the site's index, shape (n,).

    Returns
    -------
    changes, site
        Change in percent and index of the site, one for each visit; NaN where a mean used is NaN.

    References
    ----------
    Common practice, no source.
    """
    first, visits = int(np.argmax(state < 0)), np.flatnonzero(state >= 0)
    return 100.0 * (means[visits] / means[first] - 1.0), state[visits]
