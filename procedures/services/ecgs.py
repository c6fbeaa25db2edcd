"""Measuring 12-lead electrocardiograms, setting one aside, and writing and withdrawing intervals that people read."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from django.utils import timezone

from procedures.electrocardiogram import ElectrocardiogramError
from procedures.models import (
    INTERVAL_LIMITS_MS,
    EcgBeat,
    EcgMeasurement,
    Epoch,
    IntervalKind,
    IntervalOrigin,
    IntervalReading,
    Recording,
    Session,
    Site,
)
from procedures.pipeline.ecg_kept import KeptEcg, measure_stretch, middle_of
from procedures.recordings import RecordingError
from procedures.recordings.reading import Recording as Opened
from procedures.selectors.signals import opened, span_of
from procedures.services.guard import put_in, site_in, writing
from procedures.services.intake import Upload, taken_in, write_recording
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import User
from registry.services.records import change

# A stand-alone electrocardiogram is measured whole up to this length; longer ones over their first minute.
LONGEST_ALONE_S = 60.0


def has_twelve_leads(recording: Recording) -> bool:
    """Whether some channel is known as one of the twelve leads."""
    return any((channel.get("role") or "").startswith("ECG_") for channel in recording.channels)


def measured_epochs(recording: Recording, epochs: Sequence[Epoch]) -> tuple[list[KeptEcg | None], list[dict[str, Any]]]:
    """Measure the middle of each epoch; None and a note of the analysis where that cannot be done. Writes nothing."""
    if not has_twelve_leads(recording):
        return [None] * len(epochs), []
    source = opened(recording)
    sex = recording.session.patient.sex
    kept: list[KeptEcg | None] = []
    notes: list[dict[str, Any]] = []
    for epoch in epochs:
        start_s, end_s = middle_of(epoch.recording_start_s or 0.0, epoch.recording_end_s or 0.0)
        try:
            kept.append(measure_stretch(source, recording.mapping, start_s, end_s, sex))
        except (ElectrocardiogramError, RecordingError) as error:
            kept.append(None)
            message = f"The ECG was not measured: {error}"
            about = {"channel": None, "epoch": epoch.label, "severity": "info"}
            notes.append({"code": "ecg_not_measured", "message": message} | about)
    return kept, notes


def replace_measured(recording: Recording, epochs: Sequence[Epoch], kept: Sequence[KeptEcg | None]) -> None:
    """Within an analysis that writes its numbers: put these in the place of what was measured of the epochs before.

    Derived numbers leave no trail of their own; what somebody set aside stays set aside.
    """
    reasons = dict(
        EcgMeasurement.objects.filter(epoch__in=epochs)
        .exclude(excluded_reason="")
        .values_list("epoch_id", "excluded_reason")
    )
    EcgMeasurement.objects.filter(epoch__in=epochs).delete()
    rows = []
    for epoch, one in zip(epochs, kept, strict=True):
        if one is not None:
            values = _values(recording, one) | {"excluded_reason": reasons.get(epoch.pk, "")}
            rows.append((EcgMeasurement(epoch=epoch, recording=recording, **values), one))
    EcgMeasurement.objects.bulk_create([row for row, _ in rows])
    EcgBeat.objects.bulk_create([EcgBeat(ecg=row, samples=one.beat) for row, one in rows])


def measure_ecg(
    *,
    by: User,
    recording: Recording,
    site: Site | None,
    start_s: float | None = None,
    end_s: float | None = None,
    reason: str = "",
) -> EcgMeasurement:
    """Measure a stretch of a recording that is no epoch; ``site=None`` is a baseline. Whole where no stretch is given.

    Raises
    ------
    RuleBroken
        When the stretch cannot be measured, or is measured already.
    ObjectDoesNotExist
        When the site is of another session.
    """
    require(by, recording.session.centre_id, Right.WRITE_SESSIONS)
    whole = span_of(recording)
    sex = recording.session.patient.sex
    try:
        source = opened(recording)
    except RecordingError as error:
        raise RuleBroken(str(error)) from None
    kept = _measured(source, recording.mapping, whole, (start_s, end_s), sex)
    with writing(recording.session, by=by, summary=f"ECG of {_name(site)}", reason=reason) as locked:
        return _keep(by=by, locked=locked, recording=recording, site=site, kept=kept, reason=reason)


def store_ecg(
    *,
    by: User,
    session: Session,
    site: Site | None,
    upload: Upload,
    original_name: str,
    taken_at: dt.datetime | None = None,
    key: UUID | None = None,
    reason: str = "",
) -> EcgMeasurement:
    """Take in a stand-alone 12-lead electrocardiogram and measure it; the same file again is the same measurement.

    Raises
    ------
    RuleBroken
        When the file cannot be read or measured; then nothing is stored.
    """
    with taken_in(
        by=by,
        session=session,
        upload=upload,
        original_name=original_name,
        plain_name="ecg",
        started_at=taken_at,
        at_once=True,
        short=True,
    ) as incoming:
        if incoming.stored and (known := _measured_alone(incoming.stored, site)):
            return known
        kept = _measured(incoming.opened, incoming.mapping, incoming.span, (None, None), session.patient.sex)
        name = incoming.stored.original_name if incoming.stored else incoming.values["original_name"]
        with writing(session, by=by, summary=f"ECG {name}", reason=reason) as locked:
            recording = write_recording(locked, incoming, by=by, key=key, reason=reason)
            return _measured_alone(recording, site) or _keep(
                by=by, locked=locked, recording=recording, site=site, kept=kept, reason=reason
            )


def set_aside(
    *, by: User, ecg: EcgMeasurement, because: str, version: int | None = None, reason: str = ""
) -> EcgMeasurement:
    """Leave a measurement out of what counts, with the reason; an empty reason takes it back in."""
    with writing(ecg.recording.session, by=by, summary=f"{ecg} set aside", reason=reason) as locked:
        values = {"excluded_reason": because.strip()}
        return change(ecg, by=by, centre_id=locked.centre_id, values=values, version=version, reason=reason)


def put_reading(
    *,
    by: User,
    session: Session,
    site: Site | None,
    kind: str,
    duration_ms: float | None = None,
    recording: Recording | None = None,
    from_lead: str = "",
    to_lead: str = "",
    from_s: float | None = None,
    to_s: float | None = None,
    read_at: dt.datetime | None = None,
    notes: str = "",
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> IntervalReading:
    """Write an interval: typed as ``duration_ms``, or as the two marks of calipers on a recording (s on its axis).

    Raises
    ------
    RuleBroken
        When it is outside what one beat allows, the marks lie outside the recording, or the site was never reached.
    ObjectDoesNotExist
        When site or recording are of another session.
    """
    if recording is not None and recording.session_id != session.pk:
        raise Recording.DoesNotExist("The recording was not found in this session.")
    values: dict[str, Any] = {"kind": kind, "notes": notes.strip()}
    if recording is not None and from_s is not None and to_s is not None:
        duration_ms = round((to_s - from_s) * 1000, 3)
        _check_marks(recording, (from_lead, to_lead), (from_s, to_s))
        marks = {"from_lead": from_lead, "to_lead": to_lead, "from_s": from_s, "to_s": to_s}
        values |= {"origin": IntervalOrigin.CALIPERS, "recording": recording, **marks}
    else:
        values |= {"origin": IntervalOrigin.TYPED}
    low, high = INTERVAL_LIMITS_MS[IntervalKind(kind)]
    if duration_ms is None or not (math.isfinite(duration_ms) and low <= duration_ms <= high):
        sentence = f"{IntervalKind(kind).label}: {low:g} to {high:g} ms is possible."
        raise RuleBroken(sentence, fields={"duration_ms": [sentence]})
    values["duration_ms"] = duration_ms
    with writing(session, by=by, summary=f"{IntervalKind(kind).label}", reason=reason) as locked:
        stored = IntervalReading.objects.filter(pk=key).first() if key else None
        values["site"] = site_in(locked, site, reached=stored is None, field="state") if site else None
        values["read_at"] = read_at or (stored.read_at if stored else timezone.now())
        return put_in(locked, IntervalReading, values, by=by, key=key, version=version, reason=reason)


def withdraw_reading(
    *, by: User, reading: IntervalReading, because: str, version: int | None = None, reason: str = ""
) -> IntervalReading:
    """Leave an interval out of what counts, with the reason; an empty reason lets it count again."""
    with writing(reading.session, by=by, summary=f"{reading} withdrawn", reason=reason) as locked:
        values = {"excluded_reason": because.strip()}
        return change(reading, by=by, centre_id=locked.centre_id, values=values, version=version, reason=reason)


def _name(site: Site | None) -> str:
    return site.label if site else "baseline"


def _measured_alone(recording: Recording, site: Site | None) -> EcgMeasurement | None:
    """The measurement of a file that was taken in before, if there is one."""
    stored: EcgMeasurement | None = recording.ecgs.filter(epoch__isnull=True).first()
    if stored and stored.site_id != (site.pk if site else None):
        sentence = f"This file is already stored, as the ECG of {stored.label}."
        raise RuleBroken(sentence, fields={"file": [sentence]})
    return stored


def _measured(
    source: Opened,
    mapping: Mapping[str, str],
    whole: tuple[float, float],
    span: tuple[float | None, float | None],
    sex: str | None,
) -> KeptEcg:
    """Measure a stretch, or the whole where none is given; writes nothing and holds no lock."""
    first = whole[0] if span[0] is None else span[0]
    last = min(whole[1], first + LONGEST_ALONE_S) if span[1] is None else span[1]
    try:
        return measure_stretch(source, mapping, first, last, sex)
    except (ElectrocardiogramError, RecordingError) as error:
        raise RuleBroken(str(error), fields={"file": [str(error)]}) from None


def _keep(
    *, by: User, locked: Session, recording: Recording, site: Site | None, kept: KeptEcg, reason: str
) -> EcgMeasurement:
    if site is not None:
        site = site_in(locked, site, reached=True, field="state")
    values = _values(recording, kept) | {"site": site}
    ecg = put_in(locked, EcgMeasurement, values, by=by, recording=recording, reason=reason)
    EcgBeat.objects.create(ecg=ecg, samples=kept.beat)
    return ecg


def _check_marks(recording: Recording, leads: tuple[str, str], marks: tuple[float, float]) -> None:
    first, last = span_of(recording)
    if not all(first <= mark <= last for mark in marks):
        raise RuleBroken("The marks are outside the recording.", fields={"from_s": ["Set both marks on the trace."]})
    known = {channel["label"] for channel in recording.channels}
    if unknown := [lead for lead in leads if lead not in known]:
        sentence = f"There is no channel '{unknown[0]}' in the recording."
        raise RuleBroken(sentence, fields={"from_lead": [sentence]})


def _values(recording: Recording, kept: KeptEcg) -> dict[str, Any]:
    found = kept.values
    return {
        "start_s": kept.start_s,
        "end_s": kept.end_s,
        "measured_at": recording.started_at + dt.timedelta(seconds=kept.start_s - recording.axis_start_s),
        "algorithm_version": kept.version,
        **{name: found[name] for name in ("qrs_duration_ms", "qrs_duration_sd_ms", "rr_ms", "axis_degrees")},
        **{name: found[name] for name in ("paced", "latency_ms")},
        "beats": found["beats"]["averaged"],
        "result": found,
    }
