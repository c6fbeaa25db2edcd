"""Which deflections still belong to the QRS: every possible last one weighed against what follows being recovery.

From the first steep moment on the spatial velocity rises and falls; each rise and fall is one deflection. Activation
passes the wall in tens of milliseconds, recovery takes a hundred and more and does not begin before the shortest action
potential has run. So a deflection of the QRS is brief, early and mostly steep beside the steepest one, while the limbs
of a T wave are long, late and shallow. None of it is certain: the slow last part of a wide QRS and a tall, early T wave
look alike. So nothing is decided by one limit. All ends are weighed together, and where two remain likely, both are
told.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import signal

from .delineation_settings import DelineationSettings
from .ecg import FloatArray


@dataclass(frozen=True)
class Deflection:
    """One rise and fall of the velocity: samples of its beginning, peak and end.

    ``length_ms`` is its path over its steepest slope: how long it would last at that slope. ``share`` is its peak
    velocity over that of the whole QRS.
    """

    begin: int
    peak: int
    end: int
    length_ms: float
    share: float


@dataclass(frozen=True)
class PossibleEnd:
    """The QRS ends with this deflection, with this probability."""

    deflection: Deflection
    probability: float


def _possible_ends(
    slopes: FloatArray,
    velocity: FloatArray,
    noise: float,
    first: int,
    peak: int,
    per_ms: float,
    choice: DelineationSettings,
) -> list[PossibleEnd]:
    """Weigh every deflection as the last of the QRS.

    Parameters
    ----------
    slopes : (n_leads, n) float64
        Slope of each lead of the average beat, mV/s.
    velocity : (n,) float64
        Spatial velocity of the average beat, mV/s.
    noise
        Its part that is noise, mV/s.
    first, peak
        First sample of the QRS core, and the sample of the steepest moment.
    per_ms
        Samples per millisecond.

    Returns
    -------
    list of PossibleEnd
        In order of time; probabilities add up to 1.
    """
    found = _deflections(velocity, noise, first, peak, per_ms, choice)
    # log odds of being a part of the QRS rather than of the T wave
    odds = np.array([_log_odds(one, (one.peak - first) / per_ms, choice) for one in found])
    odds[0] = 0.0  # the first belongs to it in any case
    # first to last of the QRS are its own, all that follow are recovery: the rest is common to every possible end
    weight = np.cumsum(odds)
    mean = [slopes[:, one.begin : one.end + 1].mean(axis=1) for one in found]
    # Two deflections in a row that both follow the end are the two limbs of one wave.
    for index in range(1, len(found) - 1):
        weight[:index] += _limbs(mean[index], mean[index + 1], choice)
    for index, one in enumerate(found):
        over = np.flatnonzero(velocity[one.peak : one.end + 1] > choice.foot_share * velocity[one.peak])[-1]
        weight[index] += _log_prior((one.peak + over - first) / per_ms, choice)
    probability = np.exp(weight - weight.max())
    probability /= probability.sum()
    return [PossibleEnd(one, float(p)) for one, p in zip(found, probability, strict=True)]


def _deflections(
    velocity: FloatArray, noise: float, first: int, peak: int, per_ms: float, choice: DelineationSettings
) -> list[Deflection]:
    top = float(velocity[peak])
    stop = min(velocity.size - 1, first + round(choice.search_ms * per_ms))
    height = max(choice.threshold_share * top, (choice.noise_ratio + 1.0) * noise)
    prominence = max(choice.dip_share * top, choice.noise_ratio * noise)
    peaks, _ = signal.find_peaks(velocity[:stop], height=height, prominence=prominence)
    at = sorted({peak, *(int(p) for p in peaks if p >= first)})
    valleys = [a + int(np.argmin(velocity[a:b])) for a, b in pairwise(at)]
    tail = velocity[at[-1] : at[-1] + round(choice.longest_ms * per_ms)]
    valleys.append(at[-1] + int(np.argmin(tail)))
    begins = [first, *valleys[:-1]]
    return [
        Deflection(a, p, b, float(velocity[a : b + 1].sum() / per_ms / velocity[p]), float(velocity[p] / top))
        for a, p, b in zip(begins, at, valleys, strict=True)
    ]


def _log_odds(one: Deflection, after_ms: float, choice: DelineationSettings) -> float:
    """QRS against T wave by length, steepness and time after the onset.

    Length and steepness are log-normal under either, and so is the time of a T wave's limb; that of a deflection of the
    QRS may be any up to the longest usual duration.
    """

    def density(value: float, middle: float, spread: float) -> float:
        return -0.5 * (np.log(value / middle) / spread) ** 2 - float(np.log(spread))

    return (
        density(one.length_ms, choice.qrs_length_ms, choice.qrs_length_spread)
        - density(one.length_ms, choice.t_length_ms, choice.t_length_spread)
        + density(one.share, choice.qrs_share, choice.qrs_share_spread)
        - density(one.share, choice.t_share, choice.t_share_spread)
        - density(max(after_ms, 1.0), choice.t_after_ms, choice.t_after_spread)
        + float(np.log(max(after_ms, 1.0) * np.sqrt(2.0 * np.pi) / choice.usual_duration_ms[1]))
    )


def _limbs(first: FloatArray, second: FloatArray, choice: DelineationSettings) -> float:
    """Log odds of two deflections being the limbs of a T wave: it goes one way in space and back, a QRS turns."""
    size = float(np.linalg.norm(first) * np.linalg.norm(second)) or 1.0
    along = float(first @ second) / size
    return choice.limbs_log_odds * float(np.clip((-along - choice.limbs_turning) / choice.limbs_range, -1.0, 1.0))


def _log_prior(duration_ms: float, choice: DelineationSettings) -> float:
    """Every duration between two limits is as likely; beyond them less and less so."""
    low, high = choice.usual_duration_ms
    beyond = max(low - duration_ms, 0.0) / choice.below_ms + max(duration_ms - high, 0.0) / choice.above_ms
    return -0.5 * beyond**2
