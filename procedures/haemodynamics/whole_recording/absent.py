"""Why a metric of the catalogue is absent from a whole recording."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from procedures.metrics import BY_KEY

from ..beats.cycles import Cycles
from ..refusal.hard_range import VOLUME_KEYS
from ..results import QualityNote
from ..signals import FloatArray, SignalSource

SEGMENT_KEYS = ("dyssynchrony_percent", "internal_flow_percent", "dispersion_ms")


def _missing_notes(signals: SignalSource, cycles: Cycles, metrics: Mapping[str, FloatArray]) -> list[QualityNote]:
    """Why any metric of the catalogue is absent."""
    notes = []
    if cycles.count == 0:
        text = "No complete beat was found in the pressure, so there is no metric at all."
        return [QualityNote("no_beats", text, "P_LV", severity="error")]
    if not signals.has_volume:
        text = "No volume channel: " + ", ".join(VOLUME_KEYS) + " cannot be computed; ESP is read at dP/dtmin."
        notes.append(QualityNote("no_volume", text))
    if not signals.segment_count:
        text = "No segmental volumes: " + ", ".join(SEGMENT_KEYS) + " cannot be computed."
        notes.append(QualityNote("no_segments", text))
    for key, column in metrics.items():
        if not np.isfinite(column).any():
            notes.append(QualityNote("metric_missing", f"{BY_KEY[key].label} could not be computed in any beat.", key))
    return notes
