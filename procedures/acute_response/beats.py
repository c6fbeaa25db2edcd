"""The beats of several epochs as one flat array, so that nothing loops over epochs or beats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from procedures.acute_response.values import BeatEpoch, FloatArray, IntArray, ResponseError


@dataclass(frozen=True)
class Beats:
    """Finite beats of epochs, one epoch after another, each in order of time.

    ``epoch`` numbers the epochs of the input that have any beat; ``counts`` and ``starts`` (both
    ``(epochs,)``) say where the beats of each stand in ``times`` and ``values`` (both ``(beats,)``).
    """

    epoch: IntArray
    counts: IntArray
    starts: IntArray
    times: FloatArray
    values: FloatArray

    def mean(self, x: FloatArray) -> FloatArray:
        """Mean of ``x`` (a value for each beat) over each epoch."""
        means: FloatArray = np.add.reduceat(x, self.starts) / self.counts
        return means

    def spread(self, x: FloatArray) -> FloatArray:
        """Standard deviation (n - 1) of ``x`` over each epoch; NaN below three beats."""
        deviation = x - np.repeat(self.mean(x), self.counts)
        squares = np.add.reduceat(deviation * deviation, self.starts)
        return np.where(self.counts > 2, np.sqrt(squares / np.maximum(self.counts - 1, 1)), np.nan)


def _gather(epochs: Sequence[BeatEpoch]) -> Beats | None:
    """Put the finite beats of epochs in one array; None when there are none at all.

    Raises
    ------
    ResponseError
        An epoch has not one time for each value.
    """
    for e in epochs:
        if np.ndim(e.values) != 1 or np.shape(e.times_s) != np.shape(e.values):
            raise ResponseError(f"Epoch {e.key!r} needs one time for each value.")
    if not epochs:
        return None
    owner = np.repeat(np.arange(len(epochs)), [len(e.values) for e in epochs])
    times = np.concatenate([e.times_s for e in epochs]).astype(float, copy=False)
    values = np.concatenate([e.values for e in epochs]).astype(float, copy=False)
    keep = np.isfinite(times) & np.isfinite(values)
    if not keep.all():
        owner, times, values = owner[keep], times[keep], values[keep]
    if not owner.size:
        return None
    if ((np.diff(times) < 0) & (np.diff(owner) == 0)).any():
        order = np.lexsort((times, owner))
        times, values = times[order], values[order]
    counts = np.bincount(owner, minlength=len(epochs))
    present = np.flatnonzero(counts)
    counts = counts[present]
    return Beats(present, counts, np.cumsum(counts) - counts, times, values)
