"""Epochs made ready for the model: checked, in order of time, on one scale, each with a mean and its variance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from procedures.acute_response.epoch_means import epoch_means
from procedures.acute_response.settings import Settings
from procedures.acute_response.values import BeatEpoch, Epoch, FloatArray, ResponseError, SummaryEpoch


@dataclass(frozen=True)
class Prepared:
    """Arrays over epochs in order of time.

    ``state`` is -1 for baseline, else the index into ``sites`` (in order of first visit). ``y`` is on the model's scale:
    log of the magnitude, or the value over ``reference`` for the linear scale; ``within`` the variance of ``y``.
    """

    keys: tuple[str, ...]
    baseline: str
    sites: tuple[str, ...]
    state: FloatArray
    start: FloatArray
    end: FloatArray
    times: FloatArray
    mean: FloatArray
    y: FloatArray
    within: FloatArray
    beats: FloatArray
    trend: FloatArray
    trend_error: FloatArray
    breaths: FloatArray
    breath_frequency_hz: float | None
    beat_sd: float
    scatter_prior: float
    linear: bool
    reference: float
    sign: int
    flags: tuple[str, ...]

    def label(self, i: int) -> str:
        """State of epoch ``i`` in words."""
        return self.baseline if self.state[i] < 0 else self.sites[int(self.state[i])]

    def to_percent(self, y: FloatArray) -> FloatArray:
        """Percent change from a difference on the model's scale."""
        return np.asarray(100.0 * (y if self.linear else np.expm1(y)))

    def to_value(self, y: FloatArray) -> FloatArray:
        """The metric's own unit from a level on the model's scale."""
        return np.asarray(y * self.reference if self.linear else self.sign * np.exp(y))


def prepare(epochs: Sequence[Epoch], baseline: str, settings: Settings) -> Prepared:
    """Check the epochs and bring them on the model's scale.

    Raises
    ------
    ResponseError
        When there is no baseline, no site, a repeated key, a value that is not a number, or a baseline of zero.
    """
    usable = [e for e in (_finite(e) for e in epochs) if e is not None]
    if not usable:
        raise ResponseError("There is no epoch with a value to compare.")
    keys = [e.key for e in usable]
    if len(set(keys)) < len(keys):
        twice = sorted({k for k in keys if keys.count(k) > 1})
        raise ResponseError(f"The epoch {twice[0]!r} appears more than once.")
    seen = list(dict.fromkeys(e.state for e in usable))
    if baseline not in seen:
        raise ResponseError(f"No epoch of the baseline {baseline!r} has a value; the states seen are {_listed(seen)}.")
    if len(seen) == 1:
        raise ResponseError("Only baseline was measured: there is no site to compare with it.")
    mid = np.array([_middle(e) for e in usable])
    order = np.argsort(mid, kind="stable")
    usable, mid = [usable[i] for i in order], mid[order]
    sites = tuple(dict.fromkeys(e.state for e in usable if e.state != baseline))
    index = {baseline: -1, **{s: i for i, s in enumerate(sites)}}
    state = np.array([index[e.state] for e in usable])
    mean = np.array([e.values.mean() if isinstance(e, BeatEpoch) else e.mean for e in usable])

    low = min(float(e.values.min()) if isinstance(e, BeatEpoch) else e.mean for e in usable)
    high = max(float(e.values.max()) if isinstance(e, BeatEpoch) else e.mean for e in usable)
    one_sign = low > 0 or high < 0
    if settings.scale == "log" and not one_sign:
        raise ResponseError("A change in percent on the log scale needs values that are all above (or all below) zero.")
    linear = settings.scale == "linear" or not one_sign
    reference = float(mean[state < 0].mean()) if linear else 1.0
    flags: list[str] = []
    if linear:
        if reference == 0:
            raise ResponseError("The mean of the baselines is zero, so that a change in percent of it has no meaning.")
        flags.append("linear_scale")
        if float(np.abs(mean).max()) > 5.0 * abs(reference):
            flags.append("baseline_near_zero")
    sign = 1 if linear or low > 0 else -1

    n = len(usable)
    y, within = np.empty(n), np.empty(n)
    start = np.array([e.start_s for e in usable], float)
    end = np.array([e.end_s for e in usable], float)
    beats = np.array([e.values.size if isinstance(e, BeatEpoch) else e.beats for e in usable], float)
    trend, trend_error, breaths = np.zeros(n), np.full(n, np.inf), np.full(n, np.nan)
    by_beat = [i for i, e in enumerate(usable) if isinstance(e, BeatEpoch) and e.values.size > 1]
    frequency, beat_sd = None, settings.beat_sd_percent / 100.0
    if by_beat:
        chosen = [e for e in usable if isinstance(e, BeatEpoch) and e.values.size > 1]
        scaled = [e.values / reference if linear else np.log(sign * e.values) for e in chosen]
        reduced = epoch_means([e.times_s for e in chosen], scaled, beat_sd)
        y[by_beat], within[by_beat] = reduced.mean, reduced.variance
        trend[by_beat], trend_error[by_beat] = reduced.trend, reduced.trend_error
        breaths[by_beat], frequency = reduced.breaths, reduced.breath_frequency_hz
    relative = [_relative_sd(e) for e in usable]
    known = [r for r in relative if r is not None and r > 0]
    if known:
        beat_sd = float(np.median(known))
    for i in set(range(n)) - set(by_beat):
        e = usable[i]
        assert not isinstance(e, BeatEpoch) or e.values.size == 1
        count = max(e.beats if isinstance(e, SummaryEpoch) else 1, 1)
        spread = relative[i] if relative[i] is not None else beat_sd
        y[i] = mean[i] / reference if linear else np.log(sign * mean[i]) - 0.5 * spread**2
        error = e.standard_error if isinstance(e, SummaryEpoch) else None
        within[i] = (error / abs(reference if linear else mean[i])) ** 2 if error is not None else spread**2 / count
    return Prepared(
        tuple(e.key for e in usable), baseline, sites, state, start, end, mid, mean, y, within, beats, trend, trend_error,
        breaths, frequency, beat_sd, settings.scatter_percent / 100.0, linear, reference, sign, tuple(flags),
    )  # fmt: skip


def _finite(epoch: Epoch) -> Epoch | None:
    if isinstance(epoch, BeatEpoch):
        times, values = np.asarray(epoch.times_s, float), np.asarray(epoch.values, float)
        if times.shape != values.shape or values.ndim != 1:
            raise ResponseError(f"Epoch {epoch.key!r} needs one time for each value.")
        keep = np.isfinite(values) & np.isfinite(times)
        if not keep.any():
            return None
        times, values = times[keep], values[keep]
        if np.any(np.diff(times) < 0):
            order = np.argsort(times, kind="stable")
            times, values = times[order], values[order]
        return BeatEpoch(epoch.key, epoch.state, epoch.start_s, epoch.end_s, times, values)
    if epoch.sd is not None and not epoch.sd >= 0:
        raise ResponseError(f"Epoch {epoch.key!r} has a standard deviation that is not a number of zero or more.")
    if epoch.standard_error is not None and not epoch.standard_error >= 0:
        raise ResponseError(f"Epoch {epoch.key!r} has a standard error that is not a number of zero or more.")
    return epoch if np.isfinite(epoch.mean) else None


def _middle(epoch: Epoch) -> float:
    middle = float(epoch.times_s.mean()) if isinstance(epoch, BeatEpoch) else 0.5 * (epoch.start_s + epoch.end_s)
    if not np.isfinite(middle):
        raise ResponseError(f"Epoch {epoch.key!r} has no time.")
    return middle


def _relative_sd(epoch: Epoch) -> float | None:
    """Spread of the beats of an epoch over its mean, None when unknown."""
    if isinstance(epoch, BeatEpoch):
        mean = abs(float(epoch.values.mean()))
        return float(epoch.values.std(ddof=1)) / mean if epoch.values.size > 2 and mean > 0 else None
    return epoch.sd / abs(epoch.mean) if epoch.sd is not None and epoch.mean != 0 else None


def _listed(states: Sequence[str], most: int = 12) -> str:
    shown = ", ".join(repr(s) for s in states[:most])
    return shown if len(states) <= most else f"{shown} and {len(states) - most} more"
