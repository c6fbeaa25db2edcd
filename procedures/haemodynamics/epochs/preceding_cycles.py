"""Atrial fibrillation: each beat's dP/dtmax as it would be after two equal cycles.

Tabata et al., Am J Physiol Heart Circ Physiol 2001;281:H573 (abstract): dP/dtmax, stroke volume and ejection fraction
rise in a straight line with the ratio of the preceding to the pre-preceding RR interval, and the value of that line at
a ratio of 1 stands for the ventricle. Volumes stay the means of all beats: mean stroke volume times rate is the output
(docs/decisions/rhythm.md).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..settings import Settings
from ..signals import FloatArray

ADJUSTED = ("dpdt_max_mmhg_per_s",)
RATIO_RANGE = (0.5, 2.0)
SMALLEST_RATIO_SD = 0.05


def _cycle_ratio(preceding: FloatArray) -> FloatArray:
    """Preceding over pre-preceding interval of each beat, shape (n,); NaN for the first two."""
    before = np.concatenate(([np.nan], preceding[:-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(preceding / before)


def _at_equal_cycles(
    metrics: dict[str, FloatArray], preceding: FloatArray, members: NDArray[np.int64], settings: Settings
) -> bool:
    """Move the values of an epoch's used beats along their line to a ratio of 1; whether that could be done.

    Beats whose ratio lies outside 0.5 to 2 take the slope of the others to the end of that range and no further.
    ``metrics`` is changed in place.
    """
    ratio = np.clip(_cycle_ratio(preceding)[members], *RATIO_RANGE)
    done = False
    for key in ADJUSTED:
        column = metrics[key]
        values = column[members]
        known = np.isfinite(values) & np.isfinite(ratio)
        if known.sum() < settings.ratio_beats or ratio[known].std() < SMALLEST_RATIO_SD:
            continue
        slope = float(np.polyfit(ratio[known], values[known], 1)[0])
        moved = column.copy()
        moved[members[known]] = values[known] - slope * (ratio[known] - 1)
        metrics[key] = moved
        done = True
    return done
