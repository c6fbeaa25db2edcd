"""One load-reduction run of a recording: which beats, which end-systolic points, every relation or why not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ..channels.gaps import _bridge
from ..conditioning.filters import _low_pass
from ..results import Analysis
from ..signals import FloatArray, SignalSource
from ..windows import _blocks, _gather
from . import relations as relations
from .relations import CurvedRelation, ExponentialRelation, LoadReductionError, Relation

MOST_ROUNDS = 25
SETTLED_ML = 0.05
USABLE_REASONS = ("", "outlier", "partial_breath")
Result = TypeVar("Result")


@dataclass(frozen=True)
class LoadReductionRun:
    """Relations over one run; each is ``None`` where refused, with the reason under its name in ``refused``.

    Attributes
    ----------
    beats
        Rows of the beat table used.
    esv_ml, esp_mmhg
        End-systolic points at max P/(V − V0), V0 being that of the fitted relation itself.
    """

    beats: NDArray[np.int64]
    esv_ml: FloatArray
    esp_mmhg: FloatArray
    espvr: Relation | None = None
    espvr_curved: CurvedRelation | None = None
    prsw: Relation | None = None
    dpdt_max_edv: Relation | None = None
    edpvr: ExponentialRelation | None = None
    refused: dict[str, str] = field(default_factory=dict)


def _end_systolic_points(
    pressure: FloatArray, volume: FloatArray, start: NDArray[np.int64], stop: NDArray[np.int64], v0_ml: float
) -> tuple[FloatArray, FloatArray]:
    """Volume and pressure at max P/(V − V0) of each beat ``start..stop`` (samples)."""
    at = np.empty(start.size, dtype=np.int64)
    for block in _blocks(start.size):
        p, inside = _gather(pressure, start[block], stop[block])
        v, _ = _gather(volume, start[block], stop[block])
        ratio = np.where(inside & (v > v0_ml), p / np.where(v > v0_ml, v - v0_ml, 1.0), -np.inf)
        at[block] = start[block] + ratio.argmax(axis=1)
    return volume[at], pressure[at]


def load_reduction_run(
    signals: SignalSource, analysis: Analysis, epoch_index: int, curved: bool = False
) -> LoadReductionRun:
    """Fit every relation over the falling limb of one epoch.

    Parameters
    ----------
    signals, analysis
        The recording and its analysis.
    epoch_index
        Epoch that holds the occlusion.
    curved
        Fit the second-order end-systolic relation too.

    Returns
    -------
    LoadReductionRun
        Every relation, or the reason under its name in ``refused`` where one could not be fitted.

    Raises
    ------
    LoadReductionError
        If there is no volume, or no limb of five beats over which EDV falls by a tenth.
    """
    beats, settings, rate = analysis.beats, analysis.settings, signals.sample_rate_hz
    if not signals.has_volume or "edv_ml" not in beats.metrics:
        raise LoadReductionError("A load-reduction run needs a volume channel.")
    # Beats unlike their neighbours and part breaths are what an occlusion consists of.
    fit = np.isin(beats.refused, USABLE_REASONS) & (beats.epoch == epoch_index)
    rows = np.flatnonzero(fit & np.isfinite(beats.metrics["edv_ml"]))
    rows = rows[relations.falling_limb(beats.metrics["edv_ml"][rows])]
    edv = beats.metrics["edv_ml"][rows]
    # the stretch of the run alone, with a second on either side for the filters
    first = max(int((beats.time_s[rows[0]] - signals.start_s - 1.0) * rate), 0)
    stretch = signals.stretch(first, int((beats.end_s[rows[-1]] - signals.start_s + 1.0) * rate))
    total = stretch.total_ml
    assert total is not None  # noqa: S101 - for the type checker; asked above
    pressure = _low_pass(_bridge(stretch.pressure_mmhg), settings.pressure_bandwidth_hz, rate)
    volume = _low_pass(_bridge(total), settings.volume_bandwidth_hz, rate)
    start = np.round((beats.time_s[rows] - stretch.start_s) * rate).astype(np.int64)
    stop = start + (0.75 * (beats.end_s[rows] - beats.time_s[rows]) * rate).astype(np.int64)
    esv, esp = _end_systolic_points(pressure, volume, start, stop, settings.end_systolic_v0_ml)
    refused: dict[str, str] = {}

    def attempt(name: str, fitting: Callable[..., Result], *values: FloatArray) -> Result | None:
        try:
            return fitting(*values)
        except LoadReductionError as error:
            refused[name] = str(error)
            return None

    espvr = attempt("espvr", relations.espvr, esv, esp, edv)
    for _ in range(MOST_ROUNDS):
        if espvr is None:
            break
        v0 = espvr.intercept
        esv, esp = _end_systolic_points(pressure, volume, start, stop, min(v0, float(esv.min()) - 1.0))
        espvr = attempt("espvr", relations.espvr, esv, esp, edv)
        if espvr is not None and abs(espvr.intercept - v0) < SETTLED_ML:
            break
    metrics = {key: column[rows] for key, column in beats.metrics.items()}
    return LoadReductionRun(
        rows,
        esv,
        esp,
        espvr,
        attempt("espvr_curved", relations.espvr_curved, esv, esp, edv) if curved else None,
        attempt("prsw", relations.preload_recruitable_stroke_work, edv, metrics["stroke_work_mmhg_ml"]),
        attempt("dpdt_max_edv", relations.dpdt_max_edv, edv, metrics["dpdt_max_mmhg_per_s"]),
        attempt("edpvr", relations.edpvr, edv, metrics["edp_mmhg"]),
        refused,
    )
