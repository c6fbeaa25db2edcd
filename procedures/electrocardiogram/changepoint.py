"""Where leads leave their baseline: the probability of every candidate instant."""

from __future__ import annotations

import numpy as np
from scipy import signal

from .ecg import FloatArray

_ORDERS = (1, 2)
_PRIOR_SAMPLES = 8.0


def _departure_probability(
    time_ms: FloatArray,
    leads_mv: FloatArray,
    noise_mv: FloatArray,
    candidates_ms: FloatArray,
    baseline_degree: int,
    correlation_time: float,
    spread_ms: float,
    at_once: float,
    prior_ms: float,
    prior_sd_ms: float,
) -> FloatArray:
    """Probability of each candidate being the first departure of any lead from its baseline.

    In each lead the signal is a polynomial (the baseline) up to the departure, and from there has added to it
    a (t - t0)^p + b (t - t0)^(p+1), with p = 1 (a corner) or 2 (a smooth start); a, b and the baseline are fitted
    by least squares for every candidate. The noise variance is integrated out under an inverse gamma prior at the
    noise measured between beats, which gives each lead a Student likelihood over candidates (Raftery and Akman,
    Biometrika 1986;73:85 for the idea; from memory). A lead may depart later than the first one: with probability
    ``at_once`` it departs at t0, else anywhere in the next ``spread_ms``.

    Parameters
    ----------
    time_ms : (n,) float64
        Rising times.
    leads_mv : (n_leads, n) float64
        Independent leads.
    noise_mv : (n_leads,) float64
        Standard deviation of the noise of each.
    candidates_ms : (m,) float64
        Evenly spaced candidates.
    baseline_degree
        1: straight baseline; 2: curved.
    correlation_time
        Samples over which noise is alike; the number of samples counts divided by it.
    spread_ms
        How much later than the first the other leads may depart.
    at_once
        Share of leads that depart with the first.

    Returns
    -------
    (m,) float64
        Probabilities, sum 1.
    """
    scale = float(np.ptp(time_ms)) or 1.0
    x = (time_ms - time_ms[0]) / scale
    shared = np.stack([x**k for k in range(baseline_degree + 1)], axis=1)
    after = np.maximum(x[None, :] - ((candidates_ms - time_ms[0]) / scale)[:, None], 0.0)
    shared = np.broadcast_to(shared, (candidates_ms.size, *shared.shape))
    total = np.sum(leads_mv**2, axis=1)
    weight = 1.0 / correlation_time
    prior = _PRIOR_SAMPLES * noise_mv**2
    power = (_PRIOR_SAMPLES + weight * time_ms.size) / 2
    logs = []
    for order in _ORDERS:
        design = np.concatenate((shared, np.stack((after**order, after ** (order + 1)), axis=2)), axis=2)
        q, _ = np.linalg.qr(design)
        fitted = np.sum((leads_mv @ q) ** 2, axis=2)  # (m, n_leads)
        residual = np.maximum(total - fitted, 0.0)
        logs.append(-power * np.log(prior + weight * residual))
    likelihood = np.logaddexp(*logs)  # (m, n_leads)
    likelihood = np.exp(likelihood - likelihood.max(axis=0))
    step = float(candidates_ms[1] - candidates_ms[0])
    decay = float(np.exp(-step / spread_ms))
    # sum over later departures, each less likely by the same factor: a first-order recursion run backwards
    later = signal.lfilter([0.0, 1.0 - decay], [1.0, -decay], likelihood[::-1], axis=0)[::-1]
    mixed = np.log(at_once * likelihood + (1 - at_once) * later + 1e-12).sum(axis=1)
    mixed -= 0.5 * ((candidates_ms - prior_ms) / prior_sd_ms) ** 2
    probability = np.exp(mixed - mixed.max())
    return np.asarray(probability / probability.sum())
