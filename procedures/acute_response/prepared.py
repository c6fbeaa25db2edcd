"""Epochs made ready for the model: checked, in order of time, on one scale, each with a mean and its variance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from procedures.acute_response.beats import Beats, _gather
from procedures.acute_response.epoch_means import EpochMeans, _epoch_means
from procedures.acute_response.settings import Settings
from procedures.acute_response.values import (
    BeatEpoch,
    BoolArray,
    Epoch,
    FloatArray,
    IntArray,
    ResponseError,
    SummaryEpoch,
)

MOST_EPOCHS = 500
BEATS_ASSUMED = 15  # behind a typed mean whose number of beats is not known (project choice)


@dataclass(frozen=True)
class Prepared:
    """Arrays over epochs in order of time.

    ``state`` is -1 for baseline, else the index into ``sites`` (in order of first visit). ``y`` is on the
    model's scale: log of the magnitude, or the value over ``reference`` for the linear scale; ``within`` is the
    variance of ``y`` from its beats, ``shared`` ``(epochs, k)`` errors that epochs have in common.
    ``trend`` (start to end of an epoch, same scale), its standard error and ``breaths`` are known only where
    there are beats (else 0, infinite, NaN).
    """

    keys: tuple[str, ...]
    baseline: str
    sites: tuple[str, ...]
    state: IntArray
    times: FloatArray
    mean: FloatArray
    y: FloatArray
    within: FloatArray
    shared: FloatArray
    beats: IntArray
    trend: FloatArray
    trend_error: FloatArray
    breaths: FloatArray
    breath_frequency_hz: float | None
    settling_s: float | None
    beat_sd: float
    linear: bool
    reference: float
    sign: int
    flags: tuple[str, ...]

    def label(self, i: int) -> str:
        """State of epoch ``i`` in words."""
        return self.baseline if self.state[i] < 0 else self.sites[int(self.state[i])]

    def visit(self, i: int) -> str:
        """Epoch ``i`` in words: which visit of its state it is."""
        number = int((self.state[: i + 1] == self.state[i]).sum())
        return f"{self.label(i)}, visit {number}," if self.state[i] >= 0 else f"{self.label(i)} number {number}"

    def to_percent(self, y: FloatArray) -> FloatArray:
        """Percent change from a difference on the model's scale."""
        return np.asarray(100.0 * (y if self.linear else np.expm1(y)))

    def to_value(self, y: FloatArray) -> FloatArray:
        """The metric's own unit from a level on the model's scale."""
        return np.asarray(y * self.reference if self.linear else self.sign * np.exp(y))


def _prepare(epochs: Sequence[Epoch], baseline: str, settings: Settings) -> Prepared:
    """Check the epochs and bring them on the model's scale.

    Raises
    ------
    ResponseError
        When there is no baseline, no site, a repeated key, an epoch without time, one time for all, or a baseline
        of zero.
    """
    _check(epochs)
    # One order before anything is summed, so that the same epochs give the same answer to the last bit.
    epochs = sorted(epochs, key=lambda e: (e.start_s, e.key))
    n = len(epochs)
    is_beats = np.array([isinstance(e, BeatEpoch) for e in epochs], bool)
    beats = _gather([e for e in epochs if isinstance(e, BeatEpoch)])
    mean, spread, middle = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    count, error = np.zeros(n, np.int64), np.full(n, np.nan)
    at_beats = np.flatnonzero(is_beats)
    if beats is not None:
        at_beats = at_beats[beats.epoch]
        mean[at_beats], middle[at_beats] = beats.mean(beats.values), beats.mean(beats.times)
        spread[at_beats], count[at_beats] = beats.spread(beats.values), beats.counts
    for i, e in enumerate(epochs):
        if isinstance(e, SummaryEpoch):
            mean[i], middle[i], count[i] = e.mean, 0.5 * (e.start_s + e.end_s), e.beats
            spread[i] = np.nan if e.sd is None else e.sd
            error[i] = np.nan if e.standard_error is None else e.standard_error
    used = np.isfinite(mean)
    labels = [e.state for e, u in zip(epochs, used, strict=True) if u]
    sites = _sites(labels, [middle[i] for i in np.flatnonzero(used)], baseline)
    lost = used & ~np.isfinite(middle)
    if lost.any():
        raise ResponseError(f"Epoch {epochs[int(lost.argmax())].key!r} has no time.")
    if np.ptp(middle[used]) == 0:
        raise ResponseError("All epochs have the same time, so change cannot be separated from drift.")

    lows, highs = mean[used], mean[used]
    if beats is not None:
        lows, highs = np.append(lows, beats.values.min()), np.append(highs, beats.values.max())
    code = {baseline: -1, **{s: i for i, s in enumerate(sites)}}
    state = np.array([code.get(e.state, -2) for e in epochs])
    linear, reference, sign, flags = _scale(float(lows.min()), float(highs.max()), mean[used], state[used], settings)

    with np.errstate(divide="ignore", invalid="ignore"):
        relative = spread / np.abs(reference if linear else mean)
    known = relative[used & (relative > 0)]
    beat_sd = float(np.median(known)) if known.size else settings.beat_sd_percent / 100.0
    relative = np.where(np.isfinite(relative), relative, beat_sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        y = mean / reference if linear else np.log(sign * mean) - 0.5 * relative**2
        within = np.where(
            np.isfinite(error),
            (error / (reference if linear else mean)) ** 2,
            relative**2 / np.where(count > 0, count, BEATS_ASSUMED),
        )
    trend, trend_error, breaths = np.zeros(n), np.full(n, np.inf), np.full(n, np.nan)
    frequency, settling_s, shared = None, None, np.zeros((n, 0))
    if beats is not None and beats.counts.max() > 1:
        into = (y, within, trend, trend_error, breaths)
        reduced, many = _reduce(beats, at_beats, linear, reference, sign, beat_sd, into)
        frequency, settling_s = reduced.breath_frequency_hz, reduced.settling_s
        shared = np.zeros((n, reduced.shared.shape[1]))
        shared[at_beats[many]] = reduced.shared[many]
    order = np.flatnonzero(used)[np.argsort(middle[used], kind="stable")]
    return Prepared(
        tuple(epochs[i].key for i in order), baseline, sites, state[order], middle[order], mean[order], y[order],
        within[order], shared[order], count[order], trend[order], trend_error[order], breaths[order], frequency,
        settling_s, beat_sd, linear, reference, sign, flags,
    )  # fmt: skip


def _check(epochs: Sequence[Epoch]) -> None:
    if len(epochs) > MOST_EPOCHS:
        raise ResponseError(f"The session has {len(epochs)} epochs; at most {MOST_EPOCHS} can be compared.")
    twice = [key for key, times in Counter(e.key for e in epochs).items() if times > 1]
    if twice:
        raise ResponseError(f"The epoch {twice[0]!r} appears more than once.")
    for e in epochs:
        if isinstance(e, SummaryEpoch):
            if e.sd is not None and not e.sd >= 0:
                raise ResponseError(f"The standard deviation of epoch {e.key!r} is not a number of zero or more.")
            if e.standard_error is not None and not e.standard_error >= 0:
                raise ResponseError(f"The standard error of epoch {e.key!r} is not a number of zero or more.")


def _sites(labels: list[str], middles: list[float], baseline: str) -> tuple[str, ...]:
    if not labels:
        raise ResponseError("There is no epoch with a value to compare.")
    in_order = [labels[i] for i in np.argsort(middles, kind="stable")]
    seen = list(dict.fromkeys(in_order))
    if baseline not in seen:
        shown = ", ".join(repr(s) for s in seen[:12]) + (f" and {len(seen) - 12} more" if len(seen) > 12 else "")
        raise ResponseError(f"No epoch of the baseline {baseline!r} has a value; the states in the data are {shown}.")
    if len(seen) == 1:
        raise ResponseError("Only the baseline has been measured. Measure a site to compare.")
    return tuple(s for s in seen if s != baseline)


def _scale(
    low: float, high: float, mean: FloatArray, state: IntArray, settings: Settings
) -> tuple[bool, float, int, tuple[str, ...]]:
    one_sign = low > 0 or high < 0
    if settings.scale == "log" and not one_sign:
        raise ResponseError("The log scale needs values that are all above, or all below, zero.")
    if settings.scale != "linear" and one_sign:
        return False, 1.0, (1 if low > 0 else -1), ()
    reference = float(mean[state == -1].mean())
    if reference == 0:
        raise ResponseError("The mean of the baselines is zero, so a percentage change cannot be given.")
    small = float(np.abs(mean).max()) > 5.0 * abs(reference)
    return True, reference, 1, ("linear_scale", "baseline_near_zero") if small else ("linear_scale",)


def _reduce(
    beats: Beats,
    at: IntArray,
    linear: bool,
    reference: float,
    sign: int,
    beat_sd: float,
    into: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
) -> tuple[EpochMeans, BoolArray]:
    """Replace the plain means by those with breathing taken out, in the epochs with more than one beat."""
    values = beats.values / reference if linear else np.log(sign * beats.values)
    reduced = _epoch_means(beats, values, beat_sd)
    many = beats.counts > 1
    found = (reduced.mean, reduced.variance, reduced.trend, reduced.trend_error, reduced.breaths)
    for target, source in zip(into, found, strict=True):
        target[at[many]] = source[many]
    return reduced, many
