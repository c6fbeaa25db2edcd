"""Analysing a recording in the background, and writing what came out in one transaction."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

import numpy as np
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from procedures.haemodynamics import EpochSummary, loops
from procedures.metrics import BY_KEY
from procedures.models import AnalysisRun, Epoch, EpochBeats, EpochMetric, Origin, Recording, RunState, Session
from procedures.pipeline import AnalysisReport, analyse_file
from procedures.pipeline.ecg_kept import KeptEcg
from procedures.recordings import EpochMark, RecordingError
from procedures.services.ecgs import measured_epochs, replace_measured
from procedures.services.guard import writing
from procedures.services.responses import refresh_later
from registry.errors import RuleBroken
from registry.models import User, new_key
from registry.services.records import put

MAX_ATTEMPTS = 3
STUCK_AFTER = dt.timedelta(minutes=30)
_BUSY = (RunState.QUEUED, RunState.RUNNING)


class RunCancelled(Exception):
    """Somebody cancelled the run while it worked."""


def start_analysis(*, by: User, recording: Recording, reason: str = "") -> AnalysisRun:
    """Queue an analysis of a recording's marked epochs; a run that is waiting or working already is returned instead.

    Raises
    ------
    RuleBroken
        When no epoch is marked in the recording.
    """
    with writing(recording.session, by=by, summary=f"Analysis of {recording.original_name}", reason=reason) as locked:
        if busy := recording.runs.filter(state__in=_BUSY).first():
            return busy
        if not recording.epochs.exists():
            raise RuleBroken(
                "Mark at least one epoch in the recording first.", fields={"epochs": ["No epoch is marked yet."]}
            )
        return _queue(by=by, recording=recording, centre_id=locked.centre_id, reason=reason)


def cancel_analysis(*, by: User, run: AnalysisRun) -> AnalysisRun:
    """Ask a run to stop; a working one stops at its next step and writes nothing."""
    session = run.recording.session
    with writing(session, by=by, summary="Analysis cancelled", reason="cancelling an analysis"):
        _stop(AnalysisRun.objects.filter(pk=run.pk))
    run.refresh_from_db()
    return run


def analyse_anew(*, by: User, recording: Recording, locked: Session, reason: str = "") -> AnalysisRun | None:
    """Within an act of writing that changed what an analysis rests on, start over; nothing where no epoch is marked."""
    if not recording.epochs.exists():
        return None
    # A run that is under way may have read what stood before.
    _stop(recording.runs.all())
    return _queue(by=by, recording=recording, centre_id=locked.centre_id, reason=reason)


def _queue(*, by: User, recording: Recording, centre_id: UUID, reason: str) -> AnalysisRun:
    from procedures.tasks import analyse_recording

    run, _ = put(AnalysisRun, by=by, centre_id=centre_id, scope={"recording": recording}, values={}, reason=reason)
    transaction.on_commit(lambda: analyse_recording.delay(str(run.pk)))
    return run


def _stop(runs: QuerySet[AnalysisRun]) -> None:
    runs.filter(state__in=_BUSY).update(state=RunState.CANCELLED, finished_at=timezone.now(), step="")


def carry_out(run_id: UUID) -> None:
    """Do a queued run. Safe to call twice: a run that is done, failed or cancelled is left alone."""
    if not _claim(run_id):
        return
    run = AnalysisRun.objects.select_related("recording__session__patient").get(pk=run_id)
    epochs = list(run.recording.epochs.select_related("site").order_by("recording_start_s"))
    try:
        report = analyse_file(
            Path(run.recording.file.path),
            mapping=run.recording.mapping,
            epochs=[_mark(epoch) for epoch in epochs],
            calibrations=[calibration.constants() for calibration in run.recording.calibrations.all()],
            overrides=dict(run.recording.beat_overrides.values_list("time_s", "counts")),
            progress=lambda sentence, share: _tell(run_id, sentence, share),
        )
        _tell(run_id, "Measuring the electrocardiograms", 0.95)
        ecgs, notes = measured_epochs(run.recording, epochs)
        _write(run, _computed(run, epochs, report), ecgs, notes)
    except RunCancelled:
        return
    except (RecordingError, OSError) as error:
        _fail(run_id, str(error))
    except Exception:
        _fail(run_id, "The analysis stopped on a fault of the program; the recording is unharmed.")
        raise


def requeue_stuck() -> int:
    """Queue again what a lost worker left behind, and give up on what was tried too often."""
    from procedures.tasks import analyse_recording

    stuck = AnalysisRun.objects.filter(state__in=_BUSY, updated_at__lt=timezone.now() - STUCK_AFTER)
    count = 0
    for run in stuck[:100]:
        if run.attempts >= MAX_ATTEMPTS:
            _fail(run.pk, f"Given up after {run.attempts} attempts.")
            continue
        AnalysisRun.objects.filter(pk=run.pk).update(state=RunState.QUEUED, updated_at=timezone.now())
        analyse_recording.delay(str(run.pk))
        count += 1
    return count


def _claim(run_id: UUID) -> bool:
    with transaction.atomic():
        run = AnalysisRun.objects.select_for_update().get(pk=run_id)
        if run.state != RunState.QUEUED:
            return False
        run.state, run.started_at, run.attempts = RunState.RUNNING, timezone.now(), run.attempts + 1
        run.save()
        return True


def _tell(run_id: UUID, sentence: str, share: float) -> None:
    """Show how far the run is; a run that is no longer running has been cancelled."""
    told = AnalysisRun.objects.filter(pk=run_id, state=RunState.RUNNING).update(
        step=sentence[:80], progress_percent=round(100 * share), updated_at=timezone.now()
    )
    if not told:
        raise RunCancelled


def _fail(run_id: UUID, sentence: str) -> None:
    AnalysisRun.objects.filter(pk=run_id, state__in=_BUSY).update(
        state=RunState.FAILED, failure=sentence, finished_at=timezone.now(), step=""
    )


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
        found.beats.append(EpochBeats(epoch=epoch, run=run, columns=columns, loop=loop))
    return found


@transaction.atomic
def _write(run: AnalysisRun, found: Computed, ecgs: Sequence[KeptEcg | None], notes: list[dict[str, Any]]) -> None:
    """Replace the computed numbers of these epochs by those of the run."""
    session = Session.objects.select_for_update().get(pk=run.recording.session_id)
    stored = AnalysisRun.objects.select_for_update().get(pk=run.pk)
    if stored.state != RunState.RUNNING:
        raise RunCancelled
    EpochMetric.objects.filter(epoch__in=found.epochs, origin=Origin.COMPUTED).delete()
    EpochBeats.objects.filter(epoch__in=found.epochs).delete()
    EpochMetric.objects.bulk_create(found.metrics)
    EpochBeats.objects.bulk_create(found.beats)
    replace_measured(run.recording, found.epochs, ecgs)
    stored.state, stored.progress_percent, stored.step = RunState.DONE, 100, ""
    stored.finished_at = timezone.now()
    stored.algorithm_version = found.report.analysis.version
    stored.settings = found.report.settings()
    stored.quality = [asdict(note) for note in found.report.quality] + found.left_out + notes
    stored.save()
    refresh_later(session)


def _metrics(run: AnalysisRun, epoch: Epoch, summary: EpochSummary) -> tuple[list[EpochMetric], list[dict[str, Any]]]:
    rows, refused = [], []
    for key, value in summary.metrics.items():
        metric = BY_KEY[key]
        if not metric.hard_low <= value.mean <= metric.hard_high:
            message = f"{metric.label} of {value.mean:.4g} {metric.unit} is outside what is possible and was left out."
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
