"""The reason for which each beat does not count: the first that stands, and choices made by hand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..results import QualityNote
from ..settings import Settings
from ..signals import FloatArray
from ..windows import IntArray

Mask = NDArray[np.bool_]


def _refused_column(size: int) -> NDArray[Any]:
    """Empty reasons."""
    return np.full(size, "", dtype="<U16")


def _refuse(refused: NDArray[Any], reasons: Mapping[str, NDArray[np.bool_]]) -> None:
    """Write each reason where none stands yet, in order."""
    for reason, flags in reasons.items():
        refused[flags & (refused == "")] = reason


def _beats_after(flags: Mask, count: int) -> Mask:
    """The ``count`` beats that follow each flagged one."""
    result: Mask = np.zeros_like(flags)
    for step in range(1, count + 1):
        result[step:] |= flags[:-step]
    return result & ~flags


def _settling_beats(
    mark_s: FloatArray, epoch: IntArray, starts_s: FloatArray, counted: Mask, settings: Settings
) -> Mask:
    """First beats of each epoch that follows another pacing state (``counted``, one flag per epoch)."""
    result: Mask = np.zeros(mark_s.size, dtype=bool)
    for index in np.flatnonzero(counted):
        members = np.flatnonzero(epoch == index)
        result[members[: settings.settling_beats]] = True
        result[members] |= mark_s[members] < starts_s[index] + settings.settling_s
    return result


def _apply_overrides(refused: NDArray[Any], mark_s: FloatArray, overrides: Mapping[float, bool]) -> list[QualityNote]:
    notes = []
    for time_s, use in overrides.items():
        nearest = int(np.abs(mark_s - time_s).argmin()) if mark_s.size else -1
        if nearest < 0 or abs(mark_s[nearest] - time_s) > 0.1:
            text = f"No beat at {time_s:.2f} s, so the choice made by hand has no effect."
            notes.append(QualityNote("override_unmatched", text))
            continue
        refused[nearest] = "" if use else "by_hand"
    return notes
