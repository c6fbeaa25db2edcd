"""Compare every site with baseline in one metric: the front door of the engine."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import numpy as np
from scipy.special import ndtr

from procedures.acute_response.advice import _advise, _next_time, _stands_out
from procedures.acute_response.model import Fit, fit_effects
from procedures.acute_response.prepared import Prepared, _prepare
from procedures.acute_response.ranking import _rank, _shrink
from procedures.acute_response.settings import Settings
from procedures.acute_response.simple import paired_changes, replicate_intervals, unpaired_changes
from procedures.acute_response.values import (
    Comparison,
    DriftCurve,
    Epoch,
    EpochFit,
    FloatArray,
    IntArray,
    ResponseError,
    SiteEstimate,
)

_CURVE_POINTS = 25


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
    settings
        Choices of the model.

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
    data = _prepare(epochs, baseline, settings)
    scatter, weight, drift_sd, site_spread = _scale_of_prior(data, settings)
    fit = fit_effects(
        data.y, data.within, data.times, data.state, len(data.sites),
        scatter=scatter, prior_weight=weight, drift_sd=drift_sd, shared=data.shared,
    )  # fmt: skip
    effect, covariance = fit.mean[1:], fit.covariance[1:, 1:]
    shrunken, shrunken_covariance = _shrink(effect, covariance, site_spread)
    # The better way on the model's scale: the log of a negative metric's magnitude runs the other way round.
    upward = direction * (1 if not data.linear else int(np.sign(data.reference))) * data.sign
    near = settings.near_percent / 100.0
    best, near_best = _rank(shrunken * (upward or 1), shrunken_covariance, near)
    order = np.argsort(-shrunken * (upward or 1), kind="stable")
    rows = _estimates(data, fit, shrunken, shrunken_covariance, best, upward)
    sites = tuple(rows[i] for i in order)
    leader_near = float(near_best[order[0]])
    visits = np.bincount(data.state + 1, minlength=len(data.sites) + 1)[1:]
    decided = bool(
        upward
        and len(data.sites) > 1
        and leader_near >= settings.decided_probability
        and visits[order[0]] >= settings.decided_visits
    )
    grid = np.linspace(data.times[0], data.times[-1], _CURVE_POINTS)
    level, variance, cross = fit.baseline_at(np.concatenate([data.times, grid, [_next_time(data)]]))
    ahead = (float(variance[-1]), cross[-1])
    seen = data.to_percent(data.y - level[: data.times.size] - np.append(fit.mean[1:], 0.0)[data.state])
    advice = _stands_out(data, fit.wild, seen) + _advise(
        data, fit, shrunken, shrunken_covariance, upward, leader_near, decided, ahead, settings
    )  # fmt: skip
    n = data.times.size
    return Comparison(
        metric=metric,
        baseline=baseline,
        direction=direction,
        scale="linear" if data.linear else "log",
        drift_percent_per_min=_slope(data),
        scatter_percent=100.0 * fit.scatter,
        sites=sites,
        advice=advice,
        decided=decided,
        probability_leader_near_best=leader_near if upward else float("nan"),
        epochs=_epochs(data, level[:n]),
        drift_curve=_curve(data, grid, level[n:-1], variance[n:-1]),
        flags=data.flags + (("settling",) if data.settling_s is not None else ()),
    )


def _scale_of_prior(data: Prepared, settings: Settings) -> tuple[float, float, float, float]:
    """Prior scatter, its weight, typical drift and site spread, on the model's scale.

    The published figures are for dP/dt max, whose beats spread by 2.6 % (breathing and noise). A metric whose beats
    spread by more than half as much again is taken to scatter, drift and differ more in proportion, and its prior then
    counts for less, down to half (project choice; no source gives these figures for other metrics).
    """
    factor = max(1.0, 100.0 * data.beat_sd / (1.5 * settings.beat_sd_percent))
    return (
        factor * settings.scatter_percent / 100.0,
        settings.scatter_weight / min(factor, 2.0),
        factor * settings.drift_percent / 100.0,
        factor * settings.site_spread_percent / 100.0,
    )


def _estimates(
    data: Prepared, fit: Fit, shrunken: FloatArray, covariance: FloatArray, best: FloatArray, upward: int
) -> list[SiteEstimate]:
    sites = len(data.sites)
    sd = np.sqrt(covariance.diagonal())
    around = shrunken[:, None] + 1.96 * sd[:, None] * np.array([0.0, -1.0, 1.0])
    change = data.to_percent(fit.mean[1:])
    limits = data.to_percent(fit.interval()[1:])
    drawn = data.to_percent(around)
    better = ndtr(upward * shrunken / np.maximum(sd, 1e-300)) if upward else np.full(sites, np.nan)
    paired = replicate_intervals(*paired_changes(data.mean, data.state), sites).tolist()
    unpaired = replicate_intervals(*unpaired_changes(data.mean, data.state), sites).tolist()
    visits = np.bincount(data.state + 1, minlength=sites + 1)[1:]
    beats = np.bincount(data.state + 1, data.beats, sites + 1)[1:]
    flags = _flags(data, visits)
    return [
        SiteEstimate(
            state=state,
            change_percent=float(change[j]),
            low_percent=float(limits[j, 0]),
            high_percent=float(limits[j, 1]),
            probability_best=float(best[j]) if upward else float("nan"),
            shrunken_change_percent=float(drawn[j, 0]),
            shrunken_low_percent=float(drawn[j, 1]),
            shrunken_high_percent=float(drawn[j, 2]),
            probability_better_than_baseline=float(better[j]),
            paired_change_percent=_known(paired[j][0]),
            paired_low_percent=_known(paired[j][1]),
            paired_high_percent=_known(paired[j][2]),
            unpaired_change_percent=_known(unpaired[j][0]),
            unpaired_low_percent=_known(unpaired[j][1]),
            unpaired_high_percent=_known(unpaired[j][2]),
            epochs=int(visits[j]),
            beats=int(beats[j]),
            flags=flags[j],
        )
        for j, state in enumerate(data.sites)
    ]


def _known(x: float) -> float | None:
    return x if isfinite(x) else None


def _flags(data: Prepared, visits: IntArray) -> list[tuple[str, ...]]:
    base = np.flatnonzero(data.state < 0)
    everywhere = data.flags + (("one_baseline",) if base.size == 1 else ())
    everywhere += ("settling",) if data.settling_s is not None else ()
    between = np.zeros(visits.size, bool)
    inside = data.state[base[0] : base[-1]]
    between[inside[inside >= 0]] = True
    return [
        everywhere + (("one_visit",) if visits[j] == 1 else ()) + (() if between[j] else ("not_between_baselines",))
        for j in range(visits.size)
    ]


def _epochs(data: Prepared, level: FloatArray) -> tuple[EpochFit, ...]:
    fitted = data.to_value(level)
    rows = zip(data.keys, data.times.tolist(), data.mean.tolist(), fitted.tolist(), data.beats.tolist(), strict=True)
    return tuple(
        EpochFit(key, data.label(i), time, mean, baseline, beats)
        for i, (key, time, mean, baseline, beats) in enumerate(rows)
    )


def _curve(data: Prepared, times: FloatArray, level: FloatArray, variance: FloatArray) -> DriftCurve:
    half = 1.96 * np.sqrt(variance)
    edges = np.sort(np.stack([data.to_value(level - half), data.to_value(level + half)]), axis=0)
    return DriftCurve(times, data.to_value(level), edges[0], edges[1])


def _slope(data: Prepared) -> float | None:
    """Steady drift in percent per minute: the common slope of the repeats of each state; None without repeats.

    The fitted drift itself is drawn towards no drift by its prior; this slope is not.
    """
    group = data.state + 1
    visits = np.maximum(np.bincount(group), 1)
    minutes = data.times / 60.0 - (np.bincount(group, data.times / 60.0) / visits)[group]
    change = data.y - (np.bincount(group, data.y) / visits)[group]
    spread = float(minutes @ minutes)
    return float(data.to_percent(minutes @ change / spread)) if spread > 0 else None
