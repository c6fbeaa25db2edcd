"""Runs of the time before the common machinery keep their meaning."""

from __future__ import annotations

from importlib import import_module

import pytest
from django.apps import apps
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from registry.models import ImportRun, ImportTask, RunState, TableImport
from tests import factories as make
from tests.registry.jobs.runs import left_behind, make_run, stored

BEFORE = [("registry", "0013_plain_words")]
AFTER = [("registry", "0015_import_without_run")]


def migrate(targets):
    executor = MigrationExecutor(connection)
    executor.migrate(targets)
    return executor.loader.project_state(targets).apps


@pytest.fixture
def latest(transactional_db):
    """Leave the database as it was found, whatever the test did."""
    yield
    migrate(MigrationExecutor(connection).loader.graph.leaf_nodes())


@pytest.mark.slow
def test_old_imports_wait_again_and_their_failures_stay(latest):
    centre = make.make_centre()
    by = make.make_user("clinical_lead", centre)
    old = migrate(BEFORE)
    for number, (state, failure) in enumerate(
        [("checking", ""), ("loading", ""), ("new", "Row 3 is odd."), ("checked", "It stopped."), ("loaded", "")]
    ):
        old.get_model("registry", "TableImport").objects.create(
            centre_id=centre.pk, uploaded_by_id=by.pk, kind="patients", original_name=f"{number}.csv", state=state,
            sha256=f"{number:064d}", size_bytes=1, encoding="utf-8", failure=failure, attempts=1,
        )  # fmt: skip
    migrate(AFTER)

    states = dict(TableImport.objects.values_list("sha256", "state"))
    assert [states[key] for key in sorted(states)] == ["new", "checked", "new", "checked", "loaded"]
    runs = ImportRun.objects.order_by("table_import__sha256").values_list("task", "state", "failure")
    assert list(runs) == [
        (ImportTask.CHECK, RunState.QUEUED, ""),
        (ImportTask.LOAD, RunState.QUEUED, ""),
        (ImportTask.CHECK, RunState.FAILED, "Row 3 is odd."),
        (ImportTask.LOAD, RunState.FAILED, "It stopped."),
    ]


@pytest.mark.django_db
def test_old_analyses_wait_again_and_their_failures_stay():
    run = make_run(**left_behind(attempts=3, step="beats", progress_percent=40))
    ended = make_run(state=RunState.FAILED, failure="No beats were found.", attempts=1)
    import_module("procedures.migrations.0011_background_runs").wait_again(apps, None)

    now = stored(run)
    assert (now.state, now.attempts, now.step, now.progress_percent) == (RunState.QUEUED, 0, "", 0)
    assert (stored(ended).state, stored(ended).failure) == (RunState.FAILED, "No beats were found.")
