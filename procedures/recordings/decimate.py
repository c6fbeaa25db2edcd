"""Drawing a long signal with few points: the lowest and highest value of each stretch, so that no spike is lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def decimate(
    samples: Floats, rate: float, start_s: float, end_s: float, max_points: int
) -> tuple[Floats, Floats, Floats]:
    """Minimum and maximum of at most ``max_points`` equal stretches of a part of a signal.

    Parameters
    ----------
    samples : (n,) float64
        The signal; NaN where nothing was recorded.
    rate
        Samples per second, Hz.
    start_s, end_s
        The part wanted, s after the first sample; cut to the signal.
    max_points
        Most stretches, at least 1.

    Returns
    -------
    times : (m,) float64
        Start of each stretch, s after the first sample; m <= max_points.
    lows, highs : (m,) float64
        Extremes of each stretch, NaN where all of it is; equal where there is room for every sample.

    Raises
    ------
    ValueError
        Where the rate or the number of points is not positive.

    Notes
    -----
    Minimum and maximum of equal stretches: own definition, so that no peak is lost in a drawing.
    """
    if not rate > 0 or max_points < 1:
        raise ValueError("The rate and the number of points must be positive.")
    first = min(max(0, round(start_s * rate)), len(samples))
    last = max(first, min(len(samples), round(end_s * rate)))
    part = samples[first:last]
    if part.size <= max_points:
        return (first + np.arange(part.size)) / rate, part, part
    edges = np.arange(max_points) * part.size // max_points
    # fmin and fmax pass over NaN
    return (first + edges) / rate, np.fmin.reduceat(part, edges), np.fmax.reduceat(part, edges)
