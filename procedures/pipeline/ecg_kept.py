"""A stretch measured to plain values that can be kept, and a measurement made of kept values again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from procedures.electrocardiogram import (
    ALGORITHM_VERSION,
    Boundary,
    Delineation,
    ElectrocardiogramError,
    LeadQrs,
    Measurement,
    Stimulus,
    measure,
)
from procedures.electrocardiogram.average import AverageBeat
from procedures.pipeline.ecg_leads import read_leads
from procedures.pipeline.ecg_values import as_dict
from procedures.recordings import EpochMark, Recording

# As long as a printed 12-lead electrocardiogram; the middle of an epoch is farthest from any switch of pacing.
USUAL_S = 10.0
# Global onset and offset need the leads that see them (project choice): both limb leads and four chest leads.
FEWEST_LEADS = 6
POSSIBLE_QRS_MS = (40.0, 320.0)


@dataclass(frozen=True)
class KeptEcg:
    """What is kept of a measured stretch: its limits (s on the file's axis), values, and average beat in microvolts."""

    start_s: float
    end_s: float
    version: str
    values: dict[str, Any]
    beat: dict[str, Any]


def middle_of(start_s: float, end_s: float, length_s: float = USUAL_S) -> tuple[float, float]:
    """The middle ``length_s`` of a stretch, or all of a shorter one."""
    spare = max(0.0, end_s - start_s - length_s) / 2
    return round(start_s + spare, 3), round(end_s - spare, 3)


def measure_stretch(
    recording: Recording, mapping: Mapping[str, str], start_s: float, end_s: float, sex: str | None
) -> KeptEcg:
    """Measure a stretch of an open recording.

    Raises
    ------
    RecordingError, ElectrocardiogramError
        Where there is no electrocardiogram of enough leads, or no QRS in it.
    """
    ecg, notes = read_leads(recording, mapping, EpochMark("", start_s, end_s))
    if ecg.independent.size < FEWEST_LEADS:
        raise ElectrocardiogramError(
            f"The ECG has {ecg.independent.size} independent leads; at least {FEWEST_LEADS} are needed to "
            "measure the QRS over all leads."
        )
    measured = measure(ecg)
    if not POSSIBLE_QRS_MS[0] <= measured.qrs_duration_ms <= POSSIBLE_QRS_MS[1]:
        raise ElectrocardiogramError(f"A QRS duration of {measured.qrs_duration_ms:.0f} ms is not possible.")
    values = as_dict(measured, sex if sex in ("female", "male") else None, notes) | {"sex": sex}
    return KeptEcg(start_s, end_s, f"electrocardiogram {ALGORITHM_VERSION}", values, _beat(measured))


def _beat(measured: Measurement) -> dict[str, Any]:
    microvolts = np.rint(measured.beat.samples_mv * 1000).astype(int)
    return {
        "sample_rate_hz": measured.sample_rate_hz,
        "leads": dict(zip(measured.lead_names, microvolts.tolist(), strict=True)),
    }


def leads_of(values: Mapping[str, Any]) -> dict[str, LeadQrs]:
    """The QRS of each lead from kept values."""
    names = LeadQrs.__dataclass_fields__
    return {lead: LeadQrs(**{n: v for n, v in kept.items() if n in names}) for lead, kept in values["leads"].items()}


def restored(values: Mapping[str, Any], beat: Mapping[str, Any]) -> Measurement:
    """A measurement from kept values, to compare with another; noise and single beats are not kept and stay empty."""
    nan = math.nan
    samples = np.array([*beat["leads"].values()], dtype=np.float64) / 1000
    return Measurement(
        delineation=Delineation(
            Boundary(values["qrs_onset_ms"], values["qrs_onset_sd_ms"], nan, nan),
            Boundary(values["qrs_offset_ms"], values["qrs_offset_sd_ms"], nan, nan),
            nan,
            nan,
        ),
        rr_ms=nan if values["rr_ms"] is None else values["rr_ms"],
        axis_degrees=values["axis_degrees"],
        leads=leads_of(values),
        stimuli=tuple(Stimulus(**stimulus) for stimulus in values["stimuli"]),
        beat=AverageBeat(
            samples, np.full(len(samples), nan), 1.0, 0, np.empty(0, dtype=np.int64), values["beats"]["others"]
        ),
        sample_rate_hz=beat["sample_rate_hz"],
        lead_names=tuple(beat["leads"]),
        notes=tuple(values["notes"]),
    )
