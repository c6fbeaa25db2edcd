"""Impossible values: the beat refused, or the value left out."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from procedures.metrics import BY_KEY

from ..results import QualityNote
from ..signals import FloatArray
from .reasons import _refuse

# Out of the hard range these make the beat unusable; any other metric is then only left out of that beat.
VITAL_KEYS = ("p_max_mmhg", "edp_mmhg", "dpdt_max_mmhg_per_s", "dpdt_min_mmhg_per_s")
VOLUME_KEYS = (
    "edv_ml",
    "esv_ml",
    "sv_ml",
    "ef_percent",
    "stroke_work_mmhg_ml",
    "ea_mmhg_per_ml",
    "cycle_efficiency",
)


def _hold_to_hard_range(metrics: dict[str, FloatArray], refused: NDArray[Any]) -> list[QualityNote]:
    """Refuse beats with an impossible pressure; leave other impossible values out."""
    notes = []
    impossible: NDArray[np.bool_] = np.zeros(refused.size, dtype=bool)
    for key, column in metrics.items():
        limit = BY_KEY[key]
        outside = (column < limit.hard_low) | (column > limit.hard_high)
        if key in VITAL_KEYS:
            _refuse(refused, {"out_of_range": outside | ~np.isfinite(column)})
            continue
        metrics[key] = np.where(outside, np.nan, column)
        if key in VOLUME_KEYS[:2]:
            impossible |= outside
        dropped = int((outside & (refused == "")).sum())
        if dropped:
            text = (
                f"{limit.label} lay outside {limit.hard_low:g} to {limit.hard_high:g} {limit.unit} "
                f"in {dropped} of {column.size} beats and was left out there."
            )
            notes.append(QualityNote("out_of_range", text, channel=key))
    for key in VOLUME_KEYS:  # an impossible volume takes everything made from it along
        if key in metrics:
            metrics[key] = np.where(impossible, np.nan, metrics[key])
    return notes
