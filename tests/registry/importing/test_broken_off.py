"""A loading that crashes, loses its worker, is cancelled or overtaken: everything is stored once, or nothing."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils import timezone

from registry import jobs
from registry.errors import RuleBroken
from registry.models import (
    ImportPiece,
    ImportRun,
    ImportState,
    Patient,
    RunState,
    TableImport,
    new_key,
)
from registry.services import import_running, imports
from registry.trail.verify import faults
from tests import factories as make
from tests.registry.importing.tables import (
    PATIENTS,
    as_csv,
    begin,
    carried_out,
    checked,
    counts,
    decided,
    findings,
    people,
)

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("broken", ["registry.trail.bulk.linked", "registry.services.import_running.write_created"])
def test_a_crash_in_the_middle_of_loading_leaves_nothing_and_can_be_started_again(lead, centre, monkeypatch, broken):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    before = counts()
    run = imports.start_load(by=lead, run=run, queue=False)
    with monkeypatch.context() as patch:
        patch.setattr(broken, lambda *_, **__: 1 / 0)
        work = carried_out(run)

    assert counts() == before
    assert (run.state, "Nothing was saved" in work.failure) == (ImportState.CHECKED, True)
    assert (work.state, work.attempts) == (RunState.QUEUED, 1)
    ImportRun.objects.update(next_try_at=None)
    assert carried_out(run).attempts == 2
    assert (run.state, run.records_made) == (ImportState.LOADED, 3)


def lose_worker(run):
    """Leave the import's run as a worker does that is stopped at work, a minute later."""
    a_minute_ago = timezone.now() - dt.timedelta(minutes=1)
    lost = {"state": RunState.RUNNING, "token": new_key(), "lease_until": a_minute_ago, "sent_at": a_minute_ago}
    run.runs.filter(state__in=ImportRun.BUSY).update(**lost, attempts=F("attempts") + 1)


def test_a_dry_run_and_a_loading_that_lost_their_worker_are_done_once_by_another(lead, centre):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(), ("", "A", "B", "", "", "")])))
    run = imports.start_check(by=lead, run=run, queue=False)
    # Some of its findings are there already.
    ImportPiece.objects.create(table_import=run, of="findings", number=1, content="[]")
    lose_worker(run)
    assert carried_out(run).attempts == 2
    assert (run.problems, len(findings(run))) == (2, 2)

    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    run = imports.start_load(by=lead, run=run, queue=False)
    lose_worker(run)
    work = carried_out(run)
    assert (work.state, run.state, run.records_made) == (RunState.DONE, ImportState.LOADED, 3)
    assert not jobs.carry_out("import", work.pk)
    assert Patient.objects.count() == 3


def test_who_lost_an_import_to_another_writes_neither_findings_nor_records(lead, centre, monkeypatch):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()])))
    for start in (imports.start_check, imports.start_load):
        run = start(by=lead, run=run, queue=False)
        before = counts()
        real = import_running._judged

        def taken_over(*args, real=real, **options):
            yield from real(*args, **options)
            ImportRun.objects.filter(state=RunState.RUNNING).update(token=new_key())

        with monkeypatch.context() as patch:
            patch.setattr(import_running, "_judged", taken_over)
            work = carried_out(run)
        assert work.state == RunState.RUNNING
        assert counts() == before
        assert run.state == (ImportState.NEW if start is imports.start_check else ImportState.CHECKED)
        lose_worker(run)
        carried_out(run)
    assert run.state == ImportState.LOADED


def test_only_one_run_of_an_import_at_a_time(lead, centre):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()])))
    imports.start_check(by=lead, run=run, queue=False)
    with pytest.raises(RuleBroken, match="is running"):
        imports.start_check(by=lead, run=run)
    with pytest.raises(IntegrityError), transaction.atomic():
        ImportRun.objects.create(table_import=run, task="load")
    assert imports.run_again(by=lead, run=run).runs.count() == 1


def test_a_cancelled_import_writes_nothing(lead, centre):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    before = counts()
    run = imports.start_load(by=lead, run=run, queue=False)
    imports.cancel_import(by=lead, run=run)
    carried_out(run)

    assert counts() == before
    assert run.state == ImportState.CHECKED


def test_cancelling_while_the_rows_are_prepared(lead, centre, monkeypatch):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    before = counts()
    run = imports.start_load(by=lead, run=run, queue=False)
    real = jobs.Claim.tell

    def cancelled_meanwhile(claim, step, share):
        imports.cancel_import(by=lead, run=TableImport.objects.get(pk=run.pk))
        real(claim, step, share)

    monkeypatch.setattr(jobs.Claim, "tell", cancelled_meanwhile)
    carried_out(run)

    assert counts() == before
    assert run.state == ImportState.CHECKED


def test_what_somebody_writes_between_judging_and_loading_is_seen(lead, centre, monkeypatch):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    run = imports.start_load(by=lead, run=run, queue=False)
    real, done = import_running._prepared, []

    def somebody_registers(*told, **options):
        made = real(*told, **options)
        if not done:
            done.append(make.make_patient(centre, by=lead, local_identifier="N-0001"))
        return made

    monkeypatch.setattr(import_running, "_prepared", somebody_registers)
    work = carried_out(run)

    assert work.state == RunState.FAILED
    assert "row 3" in work.failure
    assert "is already stored" in work.failure
    assert Patient.objects.count() == 1
    assert list(faults()) == []
