"""What comes out: beats, epoch summaries and quality notes, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from procedures.rhythms import RHYTHMS

from .settings import Settings
from .signals import FloatArray


@dataclass(frozen=True)
class BeatTable:
    """One row per beat, as columns of equal length n.

    Attributes
    ----------
    time_s, end_s
        Start of the beat and of the next, on the recording's clock. The start is the R wave where an ECG shows
        one, else the onset of the pressure upstroke.
    epoch
        Index into the epochs; −1 where the beat lies in none, or only partly in one.
    refused
        Empty for a used beat, else the reason: ``ectopic``, ``post_ectopic``, ``outlier``, ``settling``, ``noisy``,
        ``signal_lost``, ``incomplete``, ``out_of_range``, ``partial_breath``, ``by_hand``.
    metrics
        Columns by metric key; NaN where a beat does not have the metric. Values of refused beats are kept. In an
        irregular rhythm dP/dtmax of used beats is that at equal preceding cycles.
    """

    time_s: FloatArray
    end_s: FloatArray
    epoch: NDArray[np.int64]
    refused: NDArray[Any]
    metrics: Mapping[str, FloatArray]

    def __len__(self) -> int:
        return int(self.time_s.size)

    def used(self, epoch: int) -> NDArray[np.bool_]:
        """Mask, shape (n,), of the beats that count for one epoch."""
        return np.asarray((self.epoch == epoch) & (self.refused == ""))


@dataclass(frozen=True)
class MetricSummary:
    """Mean, SD (n − 1) and number of beats; standard error and effective number allow for autocorrelation."""

    mean: float
    sd: float
    n: int
    standard_error: float
    effective_n: float


@dataclass(frozen=True)
class EpochRhythm:
    """The rhythm of one epoch.

    Attributes
    ----------
    kind
        A key of :data:`procedures.rhythms.RHYTHMS`.
    remark
        What it means for the epoch's numbers, in a sentence; empty where there is nothing to say.
    limits
        Whether it limits what the numbers mean.
    """

    kind: str = "unknown"
    remark: str = ""
    limits: bool = False

    @property
    def words(self) -> str:
        """The rhythm in words."""
        return RHYTHMS[self.kind]


@dataclass(frozen=True)
class EpochSummary:
    """The statistics of one epoch, over its used beats."""

    label: str
    start_s: float
    end_s: float
    beats_used: int
    beats_refused: Mapping[str, int]
    metrics: Mapping[str, MetricSummary]
    rhythm: EpochRhythm = EpochRhythm()


@dataclass(frozen=True)
class QualityNote:
    """One thing a reader of the numbers should know.

    Attributes
    ----------
    touches
        Labels of the epochs whose numbers it concerns; empty: all of them.
    bound_percent
        How far each metric that is ranked may be off, percent of its value, where a bound can be given.
    """

    code: str
    message: str
    channel: str | None = None
    epoch: str | None = None
    severity: Literal["info", "warning", "error"] = "warning"
    touches: tuple[str, ...] = ()
    bound_percent: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Analysis:
    """Everything computed from one recording, with the version and settings that made it."""

    version: str
    settings: Settings
    beats: BeatTable
    epochs: tuple[EpochSummary, ...]
    quality: tuple[QualityNote, ...]
