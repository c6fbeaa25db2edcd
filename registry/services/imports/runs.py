"""Starting the dry run and the loading of a table, and stopping them."""

from __future__ import annotations

from django.conf import settings
from django.db.models.functions import Now

from registry.errors import RuleBroken
from registry.importing.plan import readings
from registry.jobs import cancel, send_again, send_later
from registry.models import ImportRun, ImportState, ImportTask, TableImport, User
from registry.selectors.imports import plan_of, scan_of, table_kind_of
from registry.services.imports.editing import editing, require_import, reset


def start_check(*, by: User, run: TableImport, queue: bool = True) -> TableImport:
    """Queue the dry run; nothing of the table is written by it. Without ``queue`` the caller carries it out.

    Raises
    ------
    RuleBroken
        When columns or questions are still open.
    """
    with editing(by, run) as locked:
        if not plan_of(locked).columns:
            raise RuleBroken("Match the columns first.")
        readings(table_kind_of(locked), plan_of(locked), scan_of(locked), settings.TIME_ZONE)
        reset(locked)
        return _queue(locked, ImportTask.CHECK, queue)


def start_load(*, by: User, run: TableImport, confirmed: bool = False, queue: bool = True) -> TableImport:
    """Queue the loading of a table whose dry run found no problem. Without ``queue`` the caller carries it out.

    Raises
    ------
    RuleBroken
        When there was no dry run, it found problems, or unusual values are not confirmed.
    """
    with editing(by, run) as locked:
        if locked.state != ImportState.CHECKED:
            raise RuleBroken("Do the dry run first.")
        if locked.problems:
            raise RuleBroken(f"The dry run found {locked.problems} problems. Correct them before loading.")
        if locked.rows_read == locked.stored_already:
            raise RuleBroken("There is nothing to load: every row is already stored.")
        if locked.unusual and not confirmed:
            message = f"Confirm the {locked.unusual} unusual values, or correct them in the file."
            raise RuleBroken(message, fields={"confirmed": [message]})
        locked.loaded_by = by
        return _queue(locked, ImportTask.LOAD, queue)


def run_again(*, by: User, run: TableImport) -> TableImport:
    """Send what waits once more; when nothing does, make the dry run again.

    Raises
    ------
    RuleBroken
        When columns or questions are still open, or the table is loaded.
    """
    require_import(by, run.centre_id, table_kind_of(run))
    if busy := run.runs.filter(state__in=ImportRun.BUSY).first():
        send_again(busy)
        return run
    return start_check(by=by, run=run)


def cancel_import(*, by: User, run: TableImport) -> TableImport:
    """Stop a dry run, or a loading that has not begun to write; nothing of it stays."""
    require_import(by, run.centre_id, table_kind_of(run))
    cancel(run.runs.all())
    run.refresh_from_db()
    return run


def _queue(run: TableImport, task: ImportTask, queue: bool) -> TableImport:
    run.save()
    # Who carries it out at once counts as having been sent it.
    waiting = ImportRun.objects.create(table_import=run, task=task, sent_at=None if queue else Now())
    if queue:
        send_later(waiting)
    return run
