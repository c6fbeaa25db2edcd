"""A recording read in stretches, so that memory does not grow with its length."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..signals import PressureVolumeSignals, SignalSource

STRETCH_S = 120.0
SURVEY_S = 60.0


def _stretches(size: int, sample_rate_hz: float, stretch_s: float) -> Iterator[tuple[int, int]]:
    """First and last sample (not included) of stretches of about ``stretch_s``, the last up to a half longer."""
    length = max(round(stretch_s * sample_rate_hz), 1)
    first = 0
    while size - first > 1.5 * length:
        yield first, first + length
        first += length
    yield first, size


def _survey_stretch(source: SignalSource) -> PressureVolumeSignals:
    """A minute that stands for the whole: the middle one, or the first of a few others whose pressure is all there."""
    length = int(min(source.size, SURVEY_S * source.sample_rate_hz))
    chosen = None
    for share in (0.5, 0.25, 0.75, 0.1, 0.9):
        first = int((source.size - length) * share)
        stretch = source.stretch(first, first + length)
        good = np.isfinite(stretch.pressure_mmhg)
        if good.all() and np.ptp(stretch.pressure_mmhg) > 0 if length else True:
            return stretch
        if chosen is None or good.mean() > np.isfinite(chosen.pressure_mmhg).mean():
            chosen = stretch
    assert chosen is not None  # noqa: S101 - for the type checker
    return chosen
