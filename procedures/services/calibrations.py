"""Calibrating the volumes of a recording: typed, from a reference stroke volume, or from a saline wash-in."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from procedures.models import AlphaOrigin, Calibration, ParallelOrigin, Recording
from procedures.recordings import RecordingError
from procedures.selectors.signals import opened, span_of
from procedures.services.analysis import analyse_anew
from procedures.services.guard import writing
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User
from registry.services.records import change, put, remove

FEWEST_SEGMENTS = 3


@dataclass(frozen=True)
class ReferenceStroke:
    """A stroke volume by thermodilution, flow or imaging, and the stretch of the recording it belongs to."""

    stroke_volume_ml: float
    start_s: float
    end_s: float


@dataclass(frozen=True)
class WashIn:
    """The stretch of a recording in which hypertonic saline washed into the ventricle."""

    start_s: float
    end_s: float


def put_calibration(
    *,
    by: User,
    recording: Recording,
    valid_from_s: float | None = None,
    electrode_spacing_mm: float | None = None,
    blood_resistivity_ohm_cm: float | None = None,
    excluded_segments: Sequence[int] = (),
    alpha: float | ReferenceStroke = 1.0,
    parallel_volume_ml: float | WashIn = 0.0,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> Calibration:
    """Write a calibration, holding from ``valid_from_s`` (the recording's start when None), and analyse again.

    Alpha and parallel volume are numbers or where to work them out from. The segments left out are those of the whole
    recording: its other calibrations are brought into line, and what was worked out in them is worked out again.

    Raises
    ------
    RuleBroken
        When a value is out of range, or the stretch does not yield what was asked of it; with the reason in words.
    """
    require(by, recording.session.centre_id, Right.WRITE_SESSIONS)
    first, last = span_of(recording)
    valid_from_s = first if valid_from_s is None else valid_from_s
    if not first <= valid_from_s < last:
        message = f"Enter seconds from {first:.1f} to {last:.1f}."
        raise RuleBroken("The calibration starts outside the recording.", fields={"valid_from_s": [message]})
    excluded = sorted(set(excluded_segments))
    _check_channels(recording, excluded, electrode_spacing_mm, blood_resistivity_ohm_cm)
    given = Calibration(
        valid_from_s=valid_from_s,
        electrode_spacing_mm=electrode_spacing_mm,
        blood_resistivity_ohm_cm=blood_resistivity_ohm_cm,
        excluded_segments=excluded,
    )
    values: dict[str, Any] = {
        "valid_from_s": valid_from_s,
        "electrode_spacing_mm": electrode_spacing_mm,
        "blood_resistivity_ohm_cm": blood_resistivity_ohm_cm,
        "excluded_segments": excluded,
        # The file is read before the session is locked, so that nobody waits for it.
        **_alpha(recording, given, alpha),
        **_parallel(recording, given, parallel_volume_ml),
    }
    others = [(other, _in_line(other, excluded)) for other in recording.calibrations.all() if other.pk != key]
    summary = f"Calibration from {valid_from_s:.1f} s"
    with writing(recording.session, by=by, summary=summary, reason=reason) as locked:
        centre_id, scope = locked.centre_id, {"recording": recording}
        before = Calibration.objects.filter(pk=key).values_list("version", flat=True).first() if key else None
        written, new = put(
            Calibration, by=by, centre_id=centre_id, values=values, scope=scope, key=key, version=version, reason=reason
        )
        if new or written.version != before:
            for other, same in others:
                change(other, by=by, centre_id=centre_id, values=same, version=None, reason=reason)
            analyse_anew(by=by, recording=recording, locked=locked, reason=reason)
        return written


def remove_calibration(*, by: User, calibration: Calibration, reason: str = "") -> None:
    """Remove a calibration, and analyse again without it."""
    recording = calibration.recording
    with writing(recording.session, by=by, summary=f"Removed {calibration}", reason=reason) as locked:
        remove(calibration, by=by, centre_id=locked.centre_id, reason=reason)
        analyse_anew(by=by, recording=recording, locked=locked, reason=reason)


def segment_numbers(recording: Recording) -> tuple[list[int], bool]:
    """Return the numbers of the segments that volumes are made of, and whether they are conductances."""
    roles = {channel["role"] for channel in recording.channels if channel.get("role")}
    volumes = [n for n in range(1, 8) if f"V_{n}" in roles]
    if volumes or "V_LV" in roles:
        return volumes, False
    conductances = [n for n in range(1, 8) if f"G_{n}" in roles]
    return conductances, bool(conductances)


def _check_channels(
    recording: Recording, excluded: list[int], spacing_mm: float | None, resistivity_ohm_cm: float | None
) -> None:
    segments, conductances = segment_numbers(recording)
    fields = {}
    if conductances:
        for name, value in (("electrode_spacing_mm", spacing_mm), ("blood_resistivity_ohm_cm", resistivity_ohm_cm)):
            if value is None:
                fields[name] = ["The recording has conductances, which need this value."]
    if unknown := set(excluded) - set(segments):
        names = ", ".join(map(str, sorted(unknown)))
        fields["excluded_segments"] = [f"The recording has no segment {names}."]
    elif excluded and len(segments) - len(excluded) < FEWEST_SEGMENTS:
        fields["excluded_segments"] = [f"At least {FEWEST_SEGMENTS} segments must remain."]
    if fields:
        raise RuleBroken("Your entry needs correcting.", fields=fields)


def _alpha(recording: Recording, given: Calibration, alpha: float | ReferenceStroke) -> dict[str, Any]:
    blank = dict.fromkeys(("reference_sv_ml", "reference_start_s", "reference_end_s", "alpha_standard_error"))
    if not isinstance(alpha, ReferenceStroke):
        return blank | {"alpha": alpha, "alpha_origin": AlphaOrigin.TYPED}
    from procedures.pipeline.calibrating import alpha_from_stroke_volume

    span = (alpha.start_s, alpha.end_s)
    try:
        found = alpha_from_stroke_volume(
            opened(recording), recording.mapping, given.constants(), span, alpha.stroke_volume_ml
        )
    except (ValueError, RecordingError, OSError) as error:
        raise _refused(error, "Alpha could not be calculated.", "reference_start_s") from None
    return {
        "alpha": round(found.alpha, 6),
        "alpha_origin": AlphaOrigin.REFERENCE,
        "alpha_standard_error": found.standard_error,
        "reference_sv_ml": alpha.stroke_volume_ml,
        "reference_start_s": alpha.start_s,
        "reference_end_s": alpha.end_s,
    }


def _parallel(recording: Recording, given: Calibration, parallel: float | WashIn) -> dict[str, Any]:
    blank = dict.fromkeys(("wash_in_start_s", "wash_in_end_s", "parallel_standard_error_ml"))
    if not isinstance(parallel, WashIn):
        return blank | {"parallel_volume_ml": parallel, "parallel_origin": ParallelOrigin.TYPED}
    from procedures.pipeline.calibrating import parallel_from_wash_in

    span = (parallel.start_s, parallel.end_s)
    try:
        found = parallel_from_wash_in(opened(recording), recording.mapping, given.constants(), span)
    except (ValueError, RecordingError, OSError) as error:
        raise _refused(error, "The parallel volume could not be calculated.", "wash_in_start_s") from None
    return {
        "parallel_volume_ml": round(found.parallel_ml, 4),
        "parallel_origin": ParallelOrigin.WASH_IN,
        "parallel_standard_error_ml": round(found.standard_error_ml, 4),
        "wash_in_start_s": parallel.start_s,
        "wash_in_end_s": parallel.end_s,
    }


def _in_line(other: Calibration, excluded: list[int]) -> dict[str, Any]:
    """What another calibration of the recording becomes when these segments are left out; nothing if they are."""
    if other.excluded_segments == excluded:
        return {}
    given = copy(other)
    given.excluded_segments = excluded
    values: dict[str, Any] = {"excluded_segments": excluded}
    try:
        if other.alpha_origin == AlphaOrigin.REFERENCE:
            reference = (other.reference_sv_ml or 0.0, other.reference_start_s or 0.0, other.reference_end_s or 0.0)
            values |= _alpha(other.recording, given, ReferenceStroke(*reference))
        if other.parallel_origin == ParallelOrigin.WASH_IN:
            wash_in = WashIn(other.wash_in_start_s or 0.0, other.wash_in_end_s or 0.0)
            values |= _parallel(other.recording, given, wash_in)
    except RuleBroken as error:
        reasons = [f"For the {other}: {text}" for texts in error.fields.values() for text in texts]
        raise RuleBroken(str(error), fields={"excluded_segments": reasons}) from None
    return values


def _refused(error: Exception, sentence: str, field: str) -> RuleBroken:
    return RuleBroken(sentence, fields={field: [str(error)]})
