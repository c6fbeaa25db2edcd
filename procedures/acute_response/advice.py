"""Design advice in short sentences, each with its number; what to do is the team's to decide."""

from __future__ import annotations

import math

import numpy as np

from procedures.acute_response.model import Fit
from procedures.acute_response.planning import MOST_ALTERNATIONS, _plan
from procedures.acute_response.prepared import Prepared
from procedures.acute_response.settings import Settings
from procedures.acute_response.values import Advice, FloatArray

# A baseline is overdue when its level is known no better than this part of the scatter between epochs and at least so
# many epochs of sites were measured since the last one (project choices: about one baseline in four).
_BASELINE_OVERDUE = 0.8
_SITES_PER_BASELINE = 3
_LIKELY_WILD = 0.8  # probability from which an epoch is named (project choice)
_UNSETTLED_SD = 3.5
_SETTLED_AFTER = 3.0  # time constants after which 5 % of a settling is left
_UNSETTLED_CHANGE = 0.03  # change within an epoch that matters beside a scatter of 1.7 % (project choice)


def _advise(
    data: Prepared,
    fit: Fit,
    mean: FloatArray,
    covariance: FloatArray,
    upward: int,
    leader_near: float,
    decided: bool,
    ahead: tuple[float, FloatArray],
    settings: Settings,
) -> tuple[Advice, ...]:
    """Say what the comparison still needs.

    Parameters
    ----------
    mean, covariance
        Shrunken effects on the model's scale.
    upward
        1 when more is better on the model's scale, -1 when less, 0 when the metric is not ranked.
    leader_near
        Probability that the leader is best or within the margin of the best.
    ahead
        Variance of the baseline level at the time of the next epoch, and its covariance with the coefficients.
    """
    advice: list[Advice] = []
    if upward and len(data.sites) > 1:
        advice += _ranking(data, fit, upward * mean, covariance, leader_near, decided, ahead, settings)
    elif upward:
        advice.append(
            Advice(
                "one_site", f"Only {data.sites[0]} has been measured, so there is nothing to compare it with yet.", 1
            )
        )
    return tuple(advice + _baseline(data, fit, ahead[0]) + _settling(data) + _breaths(data, settings))


def _stands_out(data: Prepared, wild: FloatArray, off_percent: FloatArray) -> tuple[Advice, ...]:
    """Name the epoch that does not fit the others, where it is likely that something went wrong in it.

    Parameters
    ----------
    wild, off_percent
        Probability that an epoch is the odd one out; how far it lies from what the fit expects; shape ``(epochs,)``.
    """
    worst = int(wild.argmax())
    if wild[worst] < _LIKELY_WILD:
        return ()
    percent = float(off_percent[worst])
    text = (
        f"{_first_up(data.visit(worst))} is {percent:+.1f} % off what the other epochs lead one to expect. "
        "Check its signal, or measure it again."
    )
    return (Advice("epoch_stands_out", text, percent, data.label(worst)),)


def _next_time(data: Prepared) -> float:
    """When the next epoch is likely to be measured, in session time (seconds): at the usual pace."""
    gaps = np.diff(data.times)
    return float(data.times[-1] + (np.median(gaps) if gaps.size else 0.0))


def _ranking(
    data: Prepared,
    fit: Fit,
    mean: FloatArray,
    covariance: FloatArray,
    leader_near: float,
    decided: bool,
    baseline: tuple[float, FloatArray],
    settings: Settings,
) -> list[Advice]:
    near = settings.near_percent / 100.0
    ahead = _plan(
        fit, mean, covariance, baseline,
        near=near, probability=settings.decided_probability, within=float(np.median(data.within)),
    )  # fmt: skip
    leader = data.sites[int(mean.argmax())]
    percent = 100.0 * leader_near
    # Rounded down, so that what is undecided never reads like the probability at which it would be decided.
    shown = f"{math.floor(percent + 1e-9)} %" if percent < 99.5 else "more than 99 %"
    margin = f"{settings.near_percent:g} point" + ("" if settings.near_percent == 1 else "s")
    claim = f"{leader} is the best site, or within {margin} of it, with a probability of {shown}"
    if decided:
        return [Advice("decided", f"Decided: {claim}.", percent, leader)]
    if leader_near >= settings.decided_probability:
        visits = int((data.state == data.sites.index(leader)).sum())
        return [
            Advice("not_decided", f"Not yet decided: {claim}, but it rests on a single visit.", percent, leader),
            Advice("measure_next", f"Measure {leader} next: visit {visits + 1}.", float(visits + 1), leader),
        ]
    rival, target = data.sites[ahead.rival], data.sites[ahead.next_state]
    advice = [
        Advice("not_decided", f"Not yet decided: {claim}.", percent, leader),
        Advice("measure_next", f"Measure {target} next: visit {int((data.state == ahead.next_state).sum()) + 1}.",
               float((data.state == ahead.next_state).sum() + 1), target),
    ]  # fmt: skip
    if ahead.alternations is None:
        text = (
            f"{leader} and {rival} are so close that more than {MOST_ALTERNATIONS} alternations would probably "
            "be needed to separate them."
        )
        advice.append(Advice("near_tie", text, float(MOST_ALTERNATIONS), rival))
    elif ahead.alternations > 0:
        n = ahead.alternations
        plural = "alternations are" if n > 1 else "alternation is"
        text = f"About {n} more {plural} expected to separate {leader} and {rival}."
        advice.append(Advice("alternations", text, float(n), rival))
    return advice


def _baseline(data: Prepared, fit: Fit, variance: float) -> list[Advice]:
    if data.state[-1] < 0:
        return []
    last = np.flatnonzero(data.state < 0)[-1]
    unknown = float(np.sqrt(variance))
    if data.state.size - 1 - last < _SITES_PER_BASELINE or unknown <= _BASELINE_OVERDUE * fit.scatter:
        return []
    minutes = (float(data.times[-1]) - float(data.times[last])) / 60.0
    percent = 100.0 * 1.96 * unknown
    text = (
        f"A baseline is overdue: the last was {minutes:.1f} min before the latest epoch, "
        f"and the baseline is now uncertain by ±{percent:.1f} %."
    )
    return [Advice("baseline_overdue", text, percent, data.baseline)]


def _settling(data: Prepared) -> list[Advice]:
    if data.settling_s is not None:
        wait = _SETTLED_AFTER * data.settling_s
        text = (
            f"The heart was still settling when epochs began. Wait about {wait:.0f} s after each change of pacing. "
            "What can be told from the rest of each epoch is shown, with a wider interval."
        )
        return [Advice("settling_too_short", text, wait)]
    change = np.abs(data.trend)
    late = np.flatnonzero((change > _UNSETTLED_SD * data.trend_error) & (change > _UNSETTLED_CHANGE))
    if not late.size:
        return []
    worst = late[np.argmax(change[late])]
    percent = 100.0 * float(change[worst])
    others = f" ({late.size} epochs in all)" if late.size > 1 else ""
    where = _first_up(data.visit(int(worst)))
    text = f"{where} still changed by {percent:.1f} % from start to end{others}. Allow a longer settling time."
    return [Advice("settling_too_short", text, percent, data.label(int(worst)))]


def _breaths(data: Prepared, settings: Settings) -> list[Advice]:
    short = np.flatnonzero(data.breaths < settings.whole_breaths)
    if not short.size or not data.breath_frequency_hz:
        return []
    worst = short[np.argmin(data.breaths[short])]
    needed = settings.whole_breaths / data.breath_frequency_hz
    others = f" ({short.size} epochs in all)" if short.size > 1 else ""
    text = (
        f"{_first_up(data.visit(int(worst)))} contains only {data.breaths[worst]:.1f} breaths{others}: "
        f"record at least {needed:.0f} s for {settings.whole_breaths:g} whole ones."
    )
    return [Advice("epoch_too_short", text, float(data.breaths[worst]), data.label(int(worst)))]


def _first_up(words: str) -> str:
    return words[:1].upper() + words[1:]
