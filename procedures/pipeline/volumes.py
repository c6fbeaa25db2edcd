"""Which channels the volumes come from, and what calibrations make of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from procedures.haemodynamics import QualityNote
from procedures.haemodynamics.conditioning.calibration import Calibration, CalibrationError, calibrate, correct
from procedures.recordings import Assignment, RecordingError

Floats = NDArray[np.float64]
#: Channels with these roles on the clock of the pressure, shape (k, n); None where the recording has none of them.
Rows = Callable[[Iterable[str]], Floats | None]
MIN_SEGMENTS = 3


def segment_roles(assignment: Assignment, calibrations: Sequence[Calibration] = ()) -> list[str]:
    """Roles of the channels that segments are made of, from the apex: volumes, or else calibrated conductances.

    Raises
    ------
    CalibrationError
        Where the calibrations leave out different segments: the rest could not be compared over time.
    """
    excluded = {frozenset(calibration.excluded) for calibration in calibrations}
    if len(excluded) > 1:
        raise CalibrationError("The calibrations leave out different segments; the same must be left out throughout.")
    left_out: frozenset[int] = next(iter(excluded), frozenset())
    volumes = [f"V_{n}" for n in range(1, 8) if f"V_{n}" in assignment.roles]
    conductances = [f"G_{n}" for n in range(1, 8) if f"G_{n}" in assignment.roles] if calibrations else []
    chosen = conductances if conductances and not volumes and "V_LV" not in assignment.roles else volumes
    return [role for role in chosen if int(role[2:]) not in left_out]


def read_volumes(
    rows: Rows, assignment: Assignment, calibrations: Sequence[Calibration], start_s: float, rate_hz: float
) -> tuple[Floats | None, Floats | None]:
    """Segmental volumes (k, n) and total volume (n,), mL, under the calibrations in force; None where there are none.

    Raises
    ------
    RecordingError
        Where there are too few segments and no total.
    """
    roles = segment_roles(assignment, calibrations)
    segments, total = rows(roles), rows(["V_LV"])
    if segments is not None and len(segments) < MIN_SEGMENTS:
        if total is None:
            rest = " once the others are left out" if any(c.excluded for c in calibrations) else ""
            kind = "conductance(s)" if roles[0].startswith("G") else "volume(s)"
            raise RecordingError(
                f"The recording has {len(segments)} segmental {kind}{rest} and no total volume; "
                f"{MIN_SEGMENTS} to 7 segments, or V_LV, are needed."
            )
        segments = None
    if calibrations:
        given = segments if segments is not None else total
        time_s = start_s + np.arange(0 if given is None else given.shape[-1]) / rate_hz
        if segments is not None:
            segments = (calibrate if roles[0].startswith("G") else correct)(segments, time_s, calibrations)
        if total is not None:
            total = correct(total[0], time_s, calibrations)[None]
    return segments, None if total is None else total[0]


def about_volumes(assignment: Assignment, calibrations: Sequence[Calibration], start_s: float) -> list[QualityNote]:
    """What a user should know of where the volumes come from."""
    segments = [int(role[2:]) for role in segment_roles(assignment, calibrations)]
    conductances = [n for n in range(1, 8) if f"G_{n}" in assignment.roles]
    has_total = "V_LV" in assignment.roles
    notes = []
    if conductances and not segments and not has_total:
        notes.append(
            QualityNote(
                "not_calibrated",
                f"The recording holds {len(conductances)} conductances but no calibration, so there are no "
                "volumes and no metrics that need volumes.",
            )
        )
    if 0 < len(segments) < MIN_SEGMENTS:
        notes.append(
            QualityNote(
                "too_few_segments",
                f"The recording has {len(segments)} segmental volume(s); fewer than {MIN_SEGMENTS} say nothing of "
                "dyssynchrony, and only the total volume V_LV was used.",
            )
        )
    if len(segments) >= MIN_SEGMENTS and (missing := sorted(set(range(segments[0], segments[-1] + 1)) - set(segments))):
        names = ", ".join(f"V_{n}" for n in missing)
        notes.append(
            QualityNote(
                "segment_missing",
                f"The volume of segment {names} is missing between others; the total volume is the sum of the rest.",
            )
        )
    if len(segments) >= MIN_SEGMENTS and has_total:
        notes.append(
            QualityNote(
                "total_from_segments",
                "The recording holds segmental volumes and a total; the total used is the sum of the segments.",
                severity="info",
            )
        )
    return notes + _about_calibrations(calibrations, bool(segments) or has_total, start_s)


def _about_calibrations(calibrations: Sequence[Calibration], used: bool, start_s: float) -> list[QualityNote]:
    ordered = sorted(calibrations, key=lambda item: item.valid_from_s)
    if not ordered:
        return []
    if not used:
        text = "The recording has neither volumes nor conductances, so the calibration was not used."
        return [QualityNote("calibration_unused", text)]
    notes = [QualityNote("calibrated", f"Volumes {in_words(item)}.", severity="info") for item in ordered]
    if (first := ordered[0].valid_from_s) > start_s:
        text = f"There is no calibration before {first:.1f} s, so there are no volumes before then."
        notes.append(QualityNote("not_calibrated_yet", text))
    return notes


def in_words(calibration: Calibration) -> str:
    """A calibration on one line."""
    parts = [f"alpha {calibration.alpha:.3g}", f"parallel volume {calibration.parallel_ml:.1f} mL"]
    if calibration.spacing_cm and calibration.resistivity_ohm_cm:
        parts.append(f"spacing {10 * calibration.spacing_cm:g} mm")
        parts.append(f"resistivity {calibration.resistivity_ohm_cm:g} ohm·cm")
    if calibration.excluded:
        parts.append("without segment " + ", ".join(map(str, calibration.excluded)))
    since = f"from {calibration.valid_from_s:.1f} s on" if math.isfinite(calibration.valid_from_s) else "throughout"
    return f"{since}: {', '.join(parts)}"
