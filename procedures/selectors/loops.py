"""Average pressure-volume loops of baseline and sites, for drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from procedures.models import EpochBeats, Session
from procedures.selectors.observations import BASELINE


@dataclass(frozen=True)
class StateLoop:
    """The mean loop of all epochs of one state: volume (n,), pressure (n,) and segments (k, n) on cycle phase."""

    state: str
    volume_ml: list[float]
    pressure_mmhg: list[float]
    segments_ml: list[list[float]]


def has_loops(session: Session) -> bool:
    """Say whether any epoch of the session has an average loop."""
    return EpochBeats.objects.filter(epoch__session=session).exclude(loop={}).exists()


def state_loops(session: Session) -> list[StateLoop]:
    """Return one loop for baseline and for each site that has recorded epochs, baseline first."""
    stored = (
        EpochBeats.objects.filter(epoch__session=session, epoch__excluded_reason="")
        .select_related("epoch__site")
        .only("loop", "epoch__site__label", "epoch__started_at")
        .order_by("epoch__started_at")
    )
    grouped: dict[str, list[dict[str, list[float]]]] = {}
    for beats in stored:
        if beats.loop:
            grouped.setdefault(beats.epoch.label, []).append(beats.loop)
    loops = [_mean(state, loops) for state, loops in grouped.items()]
    return sorted(loops, key=lambda loop: loop.state != BASELINE)


def _mean(state: str, loops: list[dict[str, list[float]]]) -> StateLoop:
    def average(name: str) -> list[Any]:
        columns = [np.array(loop[name], dtype=float) for loop in loops if loop.get(name)]
        # Recordings of one session may differ in segments; only those like the latest can be averaged.
        alike = [column for column in columns if column.shape == columns[-1].shape]
        mean: Any = np.round(np.mean(alike, axis=0), 3).tolist() if alike else []
        return mean

    return StateLoop(state, average("volume_ml"), average("pressure_mmhg"), average("segments_ml"))
