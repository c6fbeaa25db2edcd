"""Compare every site with baseline in one metric: the front door of the engine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from procedures.acute_response.advice import advise
from procedures.acute_response.model import Fit, fit_effects
from procedures.acute_response.prepared import Prepared, prepare
from procedures.acute_response.ranking import rank, shrink
from procedures.acute_response.settings import Settings
from procedures.acute_response.simple import paired_changes, t_interval, unpaired_change
from procedures.acute_response.values import (
    Comparison,
    DriftCurve,
    Epoch,
    EpochFit,
    FloatArray,
    ResponseError,
    SiteEstimate,
)

_CURVE_POINTS = 33


def compare(
    epochs: Sequence[Epoch],
    *,
    baseline: str,
    metric: str,
    direction: int = 1,
    settings: Settings = Settings(),  # noqa: B008 - frozen, so that sharing it is safe
) -> Comparison:
    """Compare the sites of a session with baseline.

    Parameters
    ----------
    epochs
        Baselines and sites in any order, by beat or as summaries, mixed as they come; keys unique.
    baseline
        The state that counts as baseline.
    metric
        Name of the metric, passed through.
    direction
        1 when higher is better, -1 when lower is better, 0 when the metric is shown but not ranked.

    Returns
    -------
    Comparison
        Sites ordered best first (by shrunken estimate); with direction 0 by size, and no probabilities (NaN).

    Raises
    ------
    ResponseError
        No baseline, no site, values that cannot be put in percent; the message is for the user.
    """
    if direction not in (-1, 0, 1):
        raise ResponseError("The direction of a metric is 1 (higher is better), -1 (lower is better) or 0.")
    data = prepare(epochs, baseline, settings)
    scatter, weight, drift_sd, site_spread = scale_of_prior(data, settings)
    fit = fit_effects(
        data.y, data.within, data.times, data.state, len(data.sites),
        scatter=scatter, prior_weight=weight, drift_sd=drift_sd,
    )  # fmt: skip
    effect, covariance = fit.mean[1:], fit.covariance[1:, 1:]
    shrunken, shrunken_covariance = shrink(effect, covariance, site_spread)
    # The better way on the model's scale: the log of a negative metric's magnitude runs the other way round.
    upward = direction * (1 if not data.linear else int(np.sign(data.reference))) * data.sign
    near = settings.near_percent / 100.0
    best, near_best = rank(shrunken * (upward or 1), shrunken_covariance, near)
    order = np.argsort(-shrunken * (upward or 1), kind="stable")
    rows = _estimates(data, fit, shrunken, shrunken_covariance, best, upward)
    sites = tuple(rows[i] for i in order)
    leader_near = float(near_best[order[0]])
    decided = bool(upward and len(data.sites) > 1 and leader_near >= settings.decided_probability)
    advice = advise(data, fit, shrunken, shrunken_covariance, upward, leader_near, decided, settings)
    fits, curve, slope = _drift(data, fit)
    return Comparison(
        metric=metric,
        baseline=baseline,
        direction=direction,
        scale="linear" if data.linear else "log",
        drift_percent_per_min=slope,
        scatter_percent=100.0 * fit.scatter,
        sites=sites,
        advice=advice,
        decided=decided,
        probability_leader_near_best=leader_near if upward else float("nan"),
        epochs=fits,
        drift_curve=curve,
        flags=data.flags,
    )


def scale_of_prior(data: Prepared, settings: Settings) -> tuple[float, float, float, float]:
    """Prior scatter, its weight, typical drift and site spread, on the model's scale.

    The published figures are for dP/dt max, whose beats spread by 2.6 % (breathing and noise). A metric whose beats spread
    more is taken to scatter, drift and differ more in proportion; the prior then counts for half.
    """
    factor = max(1.0, 100.0 * data.beat_sd / settings.beat_sd_percent)
    if factor < 1.5:
        factor = 1.0
    weight = settings.scatter_weight * (1.0 if factor == 1.0 else 0.5)
    return (
        factor * settings.scatter_percent / 100.0,
        weight,
        factor * settings.drift_percent / 100.0,
        factor * settings.site_spread_percent / 100.0,
    )


def _estimates(
    data: Prepared, fit: Fit, shrunken: FloatArray, covariance: FloatArray, best: FloatArray, upward: int
) -> list[SiteEstimate]:
    change = data.to_percent(fit.mean[1:])
    limits = data.to_percent(fit.interval()[1:])
    drawn = data.to_percent(shrunken)
    sd = np.sqrt(covariance.diagonal())
    drawn_limits = data.to_percent(shrunken[:, None] + 1.96 * sd[:, None] * np.array([-1.0, 1.0]))
    better = ndtr(upward * shrunken / np.maximum(sd, 1e-300)) if upward else np.full(shrunken.size, np.nan)
    baselines = int((data.state < 0).sum())
    rows = []
    for j, state in enumerate(data.sites):
        own = data.state == j
        paired = t_interval(paired_changes(data.mean, data.times, data.state, j))
        unpaired = unpaired_change(data.mean, data.state, j)
        rows.append(
            SiteEstimate(
                state=state,
                change_percent=float(change[j]),
                low_percent=float(limits[j, 0]),
                high_percent=float(limits[j, 1]),
                probability_best=float(best[j]) if upward else float("nan"),
                shrunken_change_percent=float(drawn[j]),
                shrunken_low_percent=float(drawn_limits[j, 0]),
                shrunken_high_percent=float(drawn_limits[j, 1]),
                probability_better_than_baseline=float(better[j]),
                paired_change_percent=paired[0],
                paired_low_percent=paired[1],
                paired_high_percent=paired[2],
                unpaired_change_percent=unpaired[0],
                unpaired_low_percent=unpaired[1],
                unpaired_high_percent=unpaired[2],
                epochs=int(own.sum()),
                beats=int(data.beats[own].sum()),
                flags=_flags(data, own, baselines),
            )
        )
    return rows


def _flags(data: Prepared, own: FloatArray, baselines: int) -> tuple[str, ...]:
    flags = list(data.flags)
    if baselines == 1:
        flags.append("one_baseline")
    visits = np.flatnonzero(own)
    base = np.flatnonzero(data.state < 0)
    if visits.size == 1:
        flags.append("one_visit")
    if not ((visits > base[0]) & (visits < base[-1])).any():
        flags.append("not_between_baselines")
    return tuple(flags)


def _drift(data: Prepared, fit: Fit) -> tuple[tuple[EpochFit, ...], DriftCurve, float | None]:
    grid = np.linspace(data.times[0], data.times[-1], _CURVE_POINTS)
    mean, variance, _ = fit.baseline_at(np.concatenate([data.times, grid]))
    n = data.times.size
    fitted = data.to_value(mean[:n])
    fits = tuple(
        EpochFit(
            data.keys[i],
            data.label(i),
            float(data.times[i]),
            float(data.mean[i]),
            float(fitted[i]),
            int(data.beats[i]),
        )
        for i in range(n)
    )
    half = 1.96 * np.sqrt(variance[n:])
    edges = np.sort(np.stack([data.to_value(mean[n:] - half), data.to_value(mean[n:] + half)]), axis=0)
    curve = DriftCurve(grid, data.to_value(mean[n:]), edges[0], edges[1])
    slope = None
    if (data.state < 0).sum() > 1 and np.ptp(data.times) > 0:
        per_s = np.polyfit(grid - grid[0], mean[n:], 1)[0]
        slope = float(data.to_percent(per_s * 60.0))
    return fits, curve, slope
