"""Gaps, flat stretches and clipping of one channel, counted stretch by stretch."""

from __future__ import annotations

import numpy as np

from ..results import QualityNote
from ..signals import FloatArray
from .gaps import FLAT_S, _flat_runs, _runs_of

CLIPPED_SHARE = 0.001
APPROACH_S = 0.01
APPROACH_SHARE = 0.35
APPROACH_STEPS = 3.5
LONG_S = 0.02
CORNER = 0.15
RESTLESS = 0.2


def _cut_off(x: FloatArray, limit: float, sample_rate_hz: float) -> int:
    """Samples cut off at a limit.

    A run of three or more at the very limit counts when the signal ran into or out of it: within 10 ms by a third of
    what it moves at its steepest. A volume at rest between two valve movements is flat too, but comes to it and
    leaves it gently. A run of 20 ms or more counts as well where the signal trembles everywhere else, or where it
    comes to its limit or leaves it in a straight line. Moves of a few steps of a coarse converter count for nothing.
    """
    at = x == limit
    if np.count_nonzero(at) < 3:
        return 0
    starts, stops = _runs_of(at)
    length = stops - starts
    wanted = (length >= 3) & (length < FLAT_S * sample_rate_hz)
    starts, stops, length = starts[wanted], stops[wanted], length[wanted]
    if starts.size == 0:
        return 0
    moves = np.diff(x)
    step = float(np.abs(moves[moves != 0]).min(initial=np.inf))
    reach = max(round(APPROACH_S * sample_rate_hz), 4)
    steepest = float(np.abs(x[reach:] - x[:-reach]).max(initial=0.0))

    def moved(samples: int) -> tuple[FloatArray, FloatArray]:
        before, behind = np.maximum(starts - samples, 0), np.minimum(stops - 1 + samples, x.size - 1)
        return np.abs(x[before] - limit), np.abs(x[behind] - limit)

    far, near = moved(reach), moved(reach // 4)
    clear = [side > APPROACH_STEPS * step for side in far]
    steep = [side > APPROACH_SHARE * steepest for side in far]
    # a parabola moves by a sixteenth in the nearest quarter, a straight line by a fourth
    straight = [close > CORNER * side for close, side in zip(near, far, strict=True)]
    trembling = float(np.mean(moves[1:] * moves[:-1] < 0)) > RESTLESS
    cut = (steep[0] & clear[0]) | (steep[1] & clear[1])
    long = length >= max(LONG_S * sample_rate_hz, 5)
    cut |= long if trembling else long & ((straight[0] & clear[0]) | (straight[1] & clear[1]))
    return int(length[cut].sum())


class ChannelFaults:
    """What the stretches of one channel, given in turn, amount to."""

    def __init__(self, name: str, sample_rate_hz: float, clipped_share: float = CLIPPED_SHARE) -> None:
        self.name, self.rate, self.tolerated = name, sample_rate_hz, clipped_share
        self.size = self.missing = self.flat = 0
        self.limits: list[tuple[float, float, int, int]] = []

    def add(self, x: FloatArray) -> None:
        """Count one stretch."""
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
        starts, stops = _flat_runs(x, self.rate)
        self.flat += int((stops - starts).sum())
        self.limits.append((low, high, _cut_off(finite, low, self.rate), _cut_off(finite, high, self.rate)))

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
                    "it appears clipped, and values read there are wrong."
                )
                notes.append(QualityNote("clipped", text, self.name))
        return notes
