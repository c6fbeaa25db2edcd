"""Load-independent measures of each epoch of a recording: a load-reduction run where there is one, else an estimate."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from procedures.haemodynamics import load_reduction_run
from procedures.haemodynamics.contractility.relations import (
    LoadReductionError,
    coupling_ratio,
    potential_energy_mmhg_ml,
    pressure_volume_area_mmhg_ml,
)
from procedures.haemodynamics.contractility.single_beat import single_beat_estimate

from .report import AnalysisReport

RELATIONS = ("espvr", "espvr_curved", "prsw", "dpdt_max_edv", "edpvr")


def contractility(report: AnalysisReport, curved: bool = False) -> list[dict[str, Any]]:
    """For each epoch its relations (or why there are none), the single-beat estimate, coupling and energetics.

    ``run``: relations over a fall of preload, with 95 % intervals; ``refused``: why a relation, or the run, is
    missing; ``single_beat``: an estimate; ``energetics``: of the epoch's mean beat under Ees and V0 of ``from``.
    """
    return [_epoch(report, index, curved) for index in range(len(report.analysis.epochs))]


def _epoch(report: AnalysisReport, index: int, curved: bool) -> dict[str, Any]:
    result: dict[str, Any] = {"label": report.analysis.epochs[index].label, "run": {}, "refused": {}}
    slope: tuple[str, float, float] | None = None
    try:
        run = load_reduction_run(report.signals, report.analysis, index, curved)
    except LoadReductionError as error:
        result["refused"]["run"] = str(error)
    else:
        found = {name: getattr(run, name) for name in RELATIONS}
        result["run"] = {name: asdict(value) for name, value in found.items() if value is not None}
        result["refused"] |= run.refused
        if run.espvr is not None:
            slope = ("load reduction", run.espvr.slope, run.espvr.intercept)
    if not result["run"]:  # beats of a run are not steady
        try:
            estimate = single_beat_estimate(report.signals, report.analysis, index)
        except LoadReductionError as error:
            result["refused"]["single_beat"] = str(error)
        else:
            result["single_beat"] = asdict(estimate)
            slope = ("single-beat estimate", estimate.ees_mmhg_per_ml, estimate.v0_ml)
    if slope is not None:
        result["energetics"] = _energetics(report, index, *slope)
    return result


def _energetics(report: AnalysisReport, index: int, source: str, ees: float, v0_ml: float) -> dict[str, Any]:
    beats = report.analysis.beats
    used = beats.used(index)
    keys = ("esp_mmhg", "esv_ml", "stroke_work_mmhg_ml", "ea_mmhg_per_ml")
    columns = np.array([beats.metrics[key][used] for key in keys])
    columns = columns[:, np.isfinite(columns).all(axis=0)]
    if columns.shape[1] == 0 or not ees > 0:
        return {"from": source}
    esp, esv, work, ea = columns
    energy = potential_energy_mmhg_ml(esp, esv, v0_ml)
    area = pressure_volume_area_mmhg_ml(work, energy)
    return {
        "from": source,
        "ea_over_ees": coupling_ratio(float(ea.mean()), ees),
        "potential_energy_mmhg_ml": float(energy.mean()),
        "pressure_volume_area_mmhg_ml": float(area.mean()),
        "efficiency": float((work / area).mean()),
    }
