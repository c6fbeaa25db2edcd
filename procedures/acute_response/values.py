"""What goes into a comparison and what comes out: plain values without behaviour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


class ResponseError(ValueError):
    """The epochs cannot be compared; the message says why, in one sentence for the user."""


@dataclass(frozen=True)
class BeatEpoch:
    """A steady stretch under one pacing state, beat by beat.

    Attributes
    ----------
    key
        Name of the epoch, unique in its session.
    state
        Pacing state: the baseline label or a site label.
    start_s, end_s
        Limits of the epoch in session time, seconds.
    times_s, values
        Time of each beat (seconds, session time) and the metric of each beat; shape ``(beats,)``.
        Beats whose value is not finite are left out.
    """

    key: str
    state: str
    start_s: float
    end_s: float
    times_s: FloatArray
    values: FloatArray


@dataclass(frozen=True)
class SummaryEpoch:
    """A steady stretch of which only a typed (or stored) summary is known.

    ``standard_error`` is that of the mean, when breathing and correlation between beats have already
    been allowed for; without it ``sd / sqrt(beats)`` is used. ``beats`` 0 means that their number is not known.
    """

    key: str
    state: str
    start_s: float
    end_s: float
    mean: float
    sd: float | None
    beats: int
    standard_error: float | None = None


Epoch = BeatEpoch | SummaryEpoch


@dataclass(frozen=True)
class SiteEstimate:
    """The response of one site against baseline; changes in percent of baseline.

    ``change_percent`` with its 95 % limits comes from the model with drift; ``shrunken_*`` is drawn towards the
    other sites by as much as the noise warrants (against the winner's curse); ``paired_*`` compares each visit with
    the baselines next to it in time; ``unpaired_*`` compares each visit with the first baseline of the session.
    Limits of the last two come from the visits' own scatter and are None with a single visit.
    """

    state: str
    change_percent: float
    low_percent: float
    high_percent: float
    probability_best: float
    shrunken_change_percent: float
    shrunken_low_percent: float
    shrunken_high_percent: float
    probability_better_than_baseline: float
    paired_change_percent: float | None
    paired_low_percent: float | None
    paired_high_percent: float | None
    unpaired_change_percent: float | None
    unpaired_low_percent: float | None
    unpaired_high_percent: float | None
    epochs: int
    beats: int
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Advice:
    """One sentence for the team: ``code`` for the program, ``number`` the figure inside the sentence."""

    code: str
    sentence: str
    number: float | None = None
    state: str | None = None


@dataclass(frozen=True)
class EpochFit:
    """One epoch as drawn: its mean and what the fitted drift says baseline was at that time."""

    key: str
    state: str
    time_s: float
    value: float
    fitted_baseline: float
    beats: int


@dataclass(frozen=True)
class DriftCurve:
    """The fitted baseline through the session, in the metric's unit, with its 95 % band."""

    times_s: FloatArray
    values: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Comparison:
    """All sites of a session against baseline in one metric, best first."""

    metric: str
    baseline: str
    direction: int
    scale: str
    drift_percent_per_min: float | None
    scatter_percent: float
    sites: tuple[SiteEstimate, ...]
    advice: tuple[Advice, ...]
    decided: bool
    probability_leader_near_best: float
    epochs: tuple[EpochFit, ...]
    drift_curve: DriftCurve
    flags: tuple[str, ...]
