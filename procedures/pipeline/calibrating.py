"""Constants of a calibration from a stretch of the recording itself: alpha and parallel volume."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from procedures.haemodynamics import Analysis, EpochWindow, Settings, analyse
from procedures.haemodynamics.conditioning.calibration import (
    Calibration,
    CalibrationError,
    ParallelVolume,
    parallel_volume,
    rising_limb,
    slope_factor,
)
from procedures.recordings import EpochMark, Recording, RecordingError

from .inputs import FileSignals, Span, stretch_of
from .opening import open_for_analysis

#: A saline wash-in takes some ten beats; a reference stroke volume is read over a minute or two.
LONGEST_STRETCH_S = 180.0
# Only the stretch itself is judged, so that no beat counts as settling after another; a wash-in has to change the
# volumes, which breathing and shape must not refuse.
_STEADY = Settings(settling_beats=0)
_WASH_IN = Settings(settling_beats=0, shape_fraction=10.0, whole_breaths=False)


@dataclass(frozen=True)
class SlopeFactor:
    """Alpha, its standard error from that of the stroke volume by conductance, and the beats it rests on."""

    alpha: float
    standard_error: float | None
    beats: int


def alpha_from_stroke_volume(
    source: Path | str | Recording,
    mapping: Mapping[str, str] | None,
    constants: Calibration,
    span: Span,
    reference_sv_ml: float,
) -> SlopeFactor:
    """Alpha from the stroke volume of a steady stretch and a reference measured at the same time.

    Parameters
    ----------
    constants
        Spacing, resistivity and the segments left out; its alpha and parallel volume are not used.
    span
        Start and end of the stretch on the file's own time axis, s.

    Raises
    ------
    CalibrationError, RecordingError
        Where the stretch, the file or the result cannot be used, in words for the user.
    """
    analysis = _uncorrected(source, mapping, constants, span, _STEADY)
    volume = analysis.epochs[0].metrics.get("sv_ml")
    if volume is None or volume.n < 3:
        raise CalibrationError(
            f"The stretch has {volume.n if volume else 0} usable beats with a stroke volume; 3 are needed."
        )
    error = volume.standard_error / reference_sv_ml
    alpha = slope_factor(volume.mean, reference_sv_ml)
    return SlopeFactor(alpha, error if np.isfinite(error) else None, volume.n)


def parallel_from_wash_in(
    source: Path | str | Recording, mapping: Mapping[str, str] | None, constants: Calibration, span: Span
) -> ParallelVolume:
    """Parallel volume, in the form subtracted before alpha, from the rising limb of a marked saline wash-in.

    Parameters and errors as of :func:`alpha_from_stroke_volume`.
    """
    beats = _uncorrected(source, mapping, constants, span, _WASH_IN).beats
    if "edv_ml" not in beats.metrics:
        raise CalibrationError("No beat of the stretch has a volume.")
    used = (beats.refused == "") & np.isfinite(beats.metrics["edv_ml"]) & np.isfinite(beats.metrics["esv_ml"])
    edv, esv = beats.metrics["edv_ml"][used], beats.metrics["esv_ml"][used]
    limb = rising_limb(edv)
    return parallel_volume(edv[limb], esv[limb])


def _uncorrected(
    source: Path | str | Recording,
    mapping: Mapping[str, str] | None,
    constants: Calibration,
    span: Span,
    settings: Settings,
) -> Analysis:
    start_s, end_s = span
    if not 0 < end_s - start_s <= LONGEST_STRETCH_S:
        raise CalibrationError(f"The stretch must end after it starts and be at most {LONGEST_STRETCH_S:g} s long.")
    opened = open_for_analysis(source, mapping, epochs=[EpochMark("stretch", start_s, end_s)])
    uncorrected = replace(constants, alpha=1.0, parallel_ml=0.0, valid_from_s=float("-inf"))
    signals = stretch_of(FileSignals(opened.recording, opened.assignment, [uncorrected]), span)
    if signals.total_ml is None:
        raise RecordingError("The recording has neither volumes nor conductances.")
    (mark,) = opened.marks
    window = EpochWindow(mark.label, mark.start_s, mark.end_s)
    return analyse(signals, [window], settings=settings)
