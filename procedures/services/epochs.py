"""Writing epochs and the metrics typed for them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction

from procedures.metrics import BY_KEY
from procedures.models import Epoch, EpochMetric, Origin, PacingConfiguration, Recording, Session, Site
from procedures.selectors.signals import span_of
from procedures.services.guard import put_in, site_in, writing
from procedures.services.responses import refresh_later
from registry.errors import NeedsConfirmation, RuleBroken
from registry.models import User
from registry.services.records import put
from registry.trail.record import one_link


@dataclass(frozen=True)
class TypedMetric:
    """A metric as typed: mean and, where known, SD and number of beats; ``version`` is the one being corrected."""

    mean: float
    sd: float | None = None
    beats: int | None = None
    version: int | None = None


def put_pacing(
    *,
    by: User,
    session: Session,
    chambers: str,
    rate_per_min: float | None = None,
    av_delay_ms: float | None = None,
    vv_delay_ms: float | None = None,
    reason: str = "",
) -> PacingConfiguration:
    """Write a pacing configuration, or find the equal one of the session again."""
    values = {
        "chambers": chambers,
        "rate_per_min": rate_per_min,
        "av_delay_ms": av_delay_ms,
        "vv_delay_ms": vv_delay_ms,
    }
    with writing(session, by=by, summary="Pacing configuration", reason=reason) as locked:
        if twin := locked.pacing_configurations.filter(**values).first():
            return twin
        return put_in(locked, PacingConfiguration, values, by=by, reason=reason)


def put_epoch(
    *,
    by: User,
    session: Session,
    site: Site | None,
    started_at: dt.datetime,
    ended_at: dt.datetime,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
    metrics: Mapping[str, TypedMetric] | None = None,
    confirmed: bool = False,
    **values: Any,
) -> Epoch:
    """Write an epoch, and the metrics typed for it, as one act; ``site=None`` is a baseline.

    Raises
    ------
    RuleBroken
        When it ends before it starts, or belongs to a site never reached, or as for :func:`enter_metrics`.
    NeedsConfirmation
        As for :func:`enter_metrics`.
    ObjectDoesNotExist
        When the site is of another session.
    """
    with (
        writing(session, by=by, summary="Epoch", reason=reason) as locked,
        one_link(centre_id=locked.centre_id, by=by, reason=reason),
    ):
        if site is not None:
            site = site_in(locked, site, reached=True)
        _check_recording(locked, started_at, ended_at, values)
        epoch = put_in(
            locked,
            Epoch,
            {"site": site, "started_at": started_at, "ended_at": ended_at, **values},
            by=by,
            key=key,
            version=version,
            reason=reason,
        )
        if metrics:
            # What is unusual is asked about last, once everything else is right.
            _write_metrics(locked, epoch, metrics, _judged(metrics, confirmed), by=by, reason=reason)
        refresh_later(locked)
        return epoch


@transaction.atomic
def put_epoch_as_paced(
    *, by: User, session: Session, pacing: Mapping[str, Any] | None, reason: str = "", **values: Any
) -> Epoch:
    """Write an epoch and the pacing in force, as typed, both or neither."""
    stored = put_pacing(by=by, session=session, reason=reason, **pacing) if pacing is not None else None
    return put_epoch(by=by, session=session, pacing=stored, reason=reason, **values)


def _check_recording(
    session: Session, started_at: dt.datetime, ended_at: dt.datetime, values: Mapping[str, Any]
) -> None:
    """Hold an epoch of a recording against it: the same session, and the times of its stretch."""
    recording: Recording | None = values.get("recording")
    if recording is None:
        return
    if recording.session_id != session.pk:
        raise Recording.DoesNotExist("The recording was not found in this session.")
    span_of(recording)
    for name, at, seconds in (
        ("started_at", started_at, values.get("recording_start_s")),
        ("ended_at", ended_at, values.get("recording_end_s")),
    ):
        if seconds is None:
            continue
        meant = recording.started_at + dt.timedelta(seconds=seconds - recording.axis_start_s)
        if abs((at - meant).total_seconds()) > 1:
            message = f"In the recording this is {meant:%H:%M:%S}. Correct the time or the stretch of the recording."
            raise RuleBroken(
                "The times of the epoch do not match its stretch of the recording.", fields={name: [message]}
            )


def enter_metrics(
    *, by: User, epoch: Epoch, metrics: Mapping[str, TypedMetric], confirmed: bool = False, reason: str = ""
) -> list[EpochMetric]:
    """Write metrics typed for an epoch, beside any computed ones.

    Raises
    ------
    RuleBroken
        When a key is unknown or a value outside its hard range.
    NeedsConfirmation
        When a value is outside its usual range and ``confirmed`` is not set.
    """
    unusual = _judged(metrics, confirmed)
    with (
        writing(epoch.session, by=by, summary=f"Entered metrics of {epoch}", reason=reason) as locked,
        one_link(centre_id=locked.centre_id, by=by, reason=reason),
    ):
        written = _write_metrics(locked, epoch, metrics, unusual, by=by, reason=reason)
        refresh_later(locked)
        return written


def _judged(metrics: Mapping[str, TypedMetric], confirmed: bool) -> set[str]:
    """Return the metrics outside their usual range, once they are confirmed; refuse what cannot be."""
    refused, unusual = {}, {}
    for key, typed in metrics.items():
        metric = BY_KEY.get(key)
        if metric is None:
            refused[key] = [f"'{key}' is not a metric of this registry."]
        elif not metric.hard_low <= typed.mean <= metric.hard_high:
            refused[key] = [
                f"{metric.label}: enter a value from {metric.hard_low:g} to {metric.hard_high:g} {metric.unit}."
            ]
        elif not metric.soft_low <= typed.mean <= metric.soft_high:
            unusual[key] = [
                f"{metric.label} {typed.mean:g} {metric.unit} is unusual: {metric.soft_low:g} to {metric.soft_high:g} "
                "is usual. Confirm it if it is correct."
            ]
    if refused:
        raise RuleBroken("Your entry needs correcting.", fields=refused)
    if unusual and not confirmed:
        raise NeedsConfirmation("Some values are unusual. Confirm them if they are correct.", fields=unusual)
    return set(unusual)


def _write_metrics(
    locked: Session, epoch: Epoch, metrics: Mapping[str, TypedMetric], unusual: set[str], *, by: User, reason: str
) -> list[EpochMetric]:
    stored = {metric.key: metric.pk for metric in epoch.metrics.filter(origin=Origin.ENTERED)}
    return [
        put(
            EpochMetric,
            by=by,
            centre_id=locked.centre_id,
            scope={"epoch": epoch},
            key=stored.get(key),
            reason=reason,
            version=typed.version,
            values={
                "key": key,
                "origin": Origin.ENTERED,
                "mean": typed.mean,
                "sd": typed.sd,
                "beats": typed.beats,
                "unusual": key in unusual,
            },
        )[0]
        for key, typed in metrics.items()
    ]
