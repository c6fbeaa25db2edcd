"""Analysing a recording in the background, and writing what came out in one transaction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any
from uuid import UUID

import numpy as np
from django.db import transaction

from procedures.haemodynamics import EpochSummary, loops
from procedures.metrics import BY_KEY
from procedures.models import AnalysisRun, Epoch, EpochBeats, EpochMetric, Origin, Recording, Session
from procedures.pipeline import AnalysisReport, analyse_file
from procedures.pipeline.ecg_kept import KeptEcg
from procedures.recordings import EpochMark, RecordingError
from procedures.selectors.signals import NotPrepared, opened, span_of
from procedures.services.ecgs import measured_epochs, replace_measured
from procedures.services.guard import writing
from procedures.services.responses import refresh_later
from registry.errors import RuleBroken
from registry.jobs import Claim, NotYet, Refused, TryAgain, cancel, send_again, send_later
from registry.models import User, new_key
from registry.services.records import put


def start_analysis(*, by: User, recording: Recording, reason: str = "") -> AnalysisRun:
    """Queue an analysis of a recording's marked epochs.

    A run that is waiting or working already is hurried and returned instead.

    Raises
    ------
    RuleBroken
        When the file has not been read, or no epoch is marked in the recording.
    """
    with writing(recording.session, by=by, summary=f"Analysis of {recording.original_name}", reason=reason) as locked:
        if busy := recording.runs.filter(state__in=AnalysisRun.BUSY).first():
            send_again(busy)
            return busy
        span_of(recording)
        if not recording.epochs.exists():
            raise RuleBroken(
                "Mark at least one epoch in the recording first.", fields={"epochs": ["No epochs marked yet."]}
            )
        return _queue(by=by, recording=recording, centre_id=locked.centre_id, reason=reason)


def cancel_analysis(*, by: User, run: AnalysisRun) -> AnalysisRun:
    """Ask a run to stop; a working one stops at its next step and writes nothing."""
    session = run.recording.session
    with writing(session, by=by, summary="Analysis cancelled", reason="cancelling an analysis"):
        cancel(AnalysisRun.objects.filter(pk=run.pk))
    run.refresh_from_db()
    return run


def analyse_anew(*, by: User, recording: Recording, locked: Session, reason: str = "") -> AnalysisRun | None:
    """Within an act of writing that changed what an analysis rests on, start over; nothing where no epoch is marked."""
    if not recording.epochs.exists():
        return None
    # A run that is under way may have read what stood before.
    cancel(recording.runs.all())
    return _queue(by=by, recording=recording, centre_id=locked.centre_id, reason=reason)


def _queue(*, by: User, recording: Recording, centre_id: UUID, reason: str) -> AnalysisRun:
    run, _ = put(AnalysisRun, by=by, centre_id=centre_id, scope={"recording": recording}, values={}, reason=reason)
    send_later(run)
    return run


def carry_out(claim: Claim) -> None:
    """Do a run of the analysis. Safe to call twice: what it writes replaces what was computed before."""
    run = AnalysisRun.objects.select_related("recording__session__patient").get(pk=claim.key)
    epochs = list(run.recording.epochs.select_related("site").order_by("recording_start_s"))
    try:
        report = analyse_file(
            opened(run.recording),
            sha256=run.recording.sha256,
            mapping=run.recording.mapping,
            epochs=[_mark(epoch) for epoch in epochs],
            calibrations=[calibration.constants() for calibration in run.recording.calibrations.all()],
            overrides=dict(run.recording.beat_overrides.values_list("time_s", "counts")),
            progress=claim.tell,
        )
        claim.tell("Measuring the electrocardiograms", 0.95)
        ecgs, notes = measured_epochs(run.recording, epochs)
        found = _computed(run, epochs, report)
    except NotPrepared as error:
        raise NotYet(str(error)) from error
    except RecordingError as error:
        raise Refused(str(error)) from error
    except OSError as error:
        raise TryAgain(f"The recording could not be read from the store: {error.strerror or error}.") from error
    _write(claim, run.recording, found, ecgs, notes)


def _mark(epoch: Epoch) -> EpochMark:
    return EpochMark(epoch.label, epoch.recording_start_s or 0.0, epoch.recording_end_s or 0.0)


@dataclass(frozen=True)
class Computed:
    """What a run found, as rows that are not written yet."""

    report: AnalysisReport
    epochs: Sequence[Epoch]
    metrics: list[EpochMetric]
    beats: list[EpochBeats]
    left_out: list[dict[str, Any]]


def _computed(run: AnalysisRun, epochs: Sequence[Epoch], report: AnalysisReport) -> Computed:
    """Make the rows, reading the signals once more for the loops; nothing is locked meanwhile."""
    found = Computed(report, epochs, [], [], [])
    for index, (epoch, summary) in enumerate(zip(epochs, report.analysis.epochs, strict=True)):
        rows, refused = _metrics(run, epoch, summary)
        found.metrics.extend(rows)
        found.left_out.extend(refused)
        columns, loop = _columns(report, index), _loop(report, index)
        rhythm = {
            "rhythm": summary.rhythm.kind,
            "rhythm_remark": summary.rhythm.remark,
            "rhythm_limits": summary.rhythm.limits,
        }
        found.beats.append(EpochBeats(epoch=epoch, run=run, columns=columns, loop=loop, **rhythm))
    return found


@transaction.atomic
def _write(
    claim: Claim, recording: Recording, found: Computed, ecgs: Sequence[KeptEcg | None], notes: list[dict[str, Any]]
) -> None:
    """Replace the computed numbers of these epochs by those of the run."""
    session = Session.objects.select_for_update(no_key=True).get(pk=recording.session_id)
    with claim.writing() as run:
        EpochMetric.objects.filter(epoch__in=found.epochs, origin=Origin.COMPUTED).delete()
        EpochBeats.objects.filter(epoch__in=found.epochs).delete()
        EpochMetric.objects.bulk_create(found.metrics)
        EpochBeats.objects.bulk_create(found.beats)
        replace_measured(recording, found.epochs, ecgs)
        run.algorithm_version = found.report.analysis.version
        run.settings = found.report.settings()
        run.quality = [asdict(note) for note in found.report.quality] + found.left_out + notes
    refresh_later(session)


def _metrics(run: AnalysisRun, epoch: Epoch, summary: EpochSummary) -> tuple[list[EpochMetric], list[dict[str, Any]]]:
    rows, refused = [], []
    for key, value in summary.metrics.items():
        metric = BY_KEY[key]
        if not metric.hard_low <= value.mean <= metric.hard_high:
            message = (
                f"{metric.label} of {value.mean:.4g} {metric.unit} is outside the possible range and was not used."
            )
            refused.append(
                {
                    "code": "out_of_range",
                    "message": message,
                    "channel": None,
                    "epoch": epoch.label,
                    "severity": "warning",
                }
            )
            continue
        rows.append(
            EpochMetric(
                id=new_key(),
                epoch=epoch,
                run=run,
                key=key,
                origin=Origin.COMPUTED,
                mean=value.mean,
                sd=value.sd if math.isfinite(value.sd) else None,
                beats=value.n,
                standard_error=value.standard_error if math.isfinite(value.standard_error) else None,
                unusual=not metric.soft_low <= value.mean <= metric.soft_high,
            )
        )
    return rows, refused


def _columns(report: AnalysisReport, index: int) -> dict[str, list[Any]]:
    table = report.analysis.beats
    rows = table.epoch == index
    columns: dict[str, list[Any]] = {
        "time_s": np.round(table.time_s[rows], 4).tolist(),
        "end_s": np.round(table.end_s[rows], 4).tolist(),
        "refused": table.refused[rows].tolist(),
    }
    for key, values in table.metrics.items():
        column = values[rows]
        # Six significant digits are far below any noise and keep the row small.
        columns[key] = [float(f"{x:.6g}") if math.isfinite(x) else None for x in column.tolist()]
    return columns


def _loop(report: AnalysisReport, index: int) -> dict[str, Any]:
    volume, pressure, segments = loops(report.signals, report.analysis, index)
    if not volume.size or not np.isfinite(volume).all():
        return {}
    loop: dict[str, Any] = {
        "volume_ml": np.round(volume, 2).tolist(),
        "pressure_mmhg": np.round(pressure, 2).tolist(),
    }
    if segments is not None:
        loop["segments_ml"] = np.round(segments, 2).tolist()
    return loop
