"""Gaps, flat stretches and clipping of one channel, counted part by part."""

from __future__ import annotations

import numpy as np

from .quality import FLAT_S, flat_runs, runs_of
from .results import QualityNote
from .signals import FloatArray

CLIPPED_SHARE = 0.001
APPROACH_S = 0.01
APPROACH_SHARE = 0.35


def cut_off(x: FloatArray, limit: float, sample_rate_hz: float) -> int:
    """Samples cut off at a limit.

    Runs of three or more at the very limit count when the signal ran into or out of them: within 10 ms by a third of
    what it moves at its steepest. A volume at rest between two valve movements is flat too, but comes to it and
    leaves it gently.
    """
    at = x == limit
    if np.count_nonzero(at) < 3:
        return 0
    starts, stops = runs_of(at)
    reach = max(round(APPROACH_S * sample_rate_hz), 2)
    steepest = float(np.abs(x[reach:] - x[:-reach]).max(initial=0.0))
    entry = np.abs(x[starts] - x[np.maximum(starts - reach, 0)])
    leave = np.abs(x[np.minimum(stops - 1 + reach, x.size - 1)] - x[stops - 1])
    length = stops - starts
    cut = (length >= 3) & (length < FLAT_S * sample_rate_hz) & (np.maximum(entry, leave) > APPROACH_SHARE * steepest)
    return int(length[cut].sum())


class ChannelWatch:
    """What the parts of one channel, given in turn, amount to."""

    def __init__(self, name: str, sample_rate_hz: float, clipped_share: float = CLIPPED_SHARE) -> None:
        self.name, self.rate, self.tolerated = name, sample_rate_hz, clipped_share
        self.size = self.missing = self.flat = 0
        self.limits: list[tuple[float, float, int, int]] = []

    def add(self, x: FloatArray) -> None:
        """Count one part."""
        self.size += x.size
        if x.size == 0:
            return
        low, high = float(x.min()), float(x.max())
        finite = x
        if not np.isfinite(low + high):
            finite = x[np.isfinite(x)]
            self.missing += x.size - finite.size
            if finite.size == 0:
                return
            low, high = float(finite.min()), float(finite.max())
        starts, stops = flat_runs(x, self.rate)
        self.flat += int((stops - starts).sum())
        self.limits.append((low, high, cut_off(finite, low, self.rate), cut_off(finite, high, self.rate)))

    def notes(self) -> list[QualityNote]:
        """What is to be said about the channel as a whole."""
        notes = []
        if self.missing and self.missing == self.size:
            return [QualityNote("gaps", "The channel holds no values.", self.name, severity="error")]
        if self.missing:
            percent = 100 * self.missing / self.size
            notes.append(QualityNote("gaps", f"{percent:.2g} % of the samples are missing.", self.name))
        if self.size - self.missing < 16:
            return notes
        low, high = min(item[0] for item in self.limits), max(item[1] for item in self.limits)
        if low == high:
            return [*notes, QualityNote("flat", "The channel never changes.", self.name, severity="error")]
        if self.flat:
            percent = 100 * self.flat / self.size
            text = f"The channel does not change for {percent:.2g} % of the time."
            notes.append(QualityNote("flat", text, self.name))
        for limit, cut, word in (
            (low, sum(item[2] for item in self.limits if item[0] == low), "smallest"),
            (high, sum(item[3] for item in self.limits if item[1] == high), "largest"),
        ):
            share = cut / self.size
            if share > self.tolerated:
                text = (
                    f"The channel is held at its {word} value, {limit:.4g}, for {100 * share:.2g} % of the time: "
                    "it looks clipped, and what is read from it there is wrong."
                )
                notes.append(QualityNote("clipped", text, self.name))
        return notes
