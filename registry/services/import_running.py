"""The dry run and the loading of a table, done by a worker."""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Iterator
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import IntegrityError, models, transaction
from django.utils import timezone

from registry.errors import AccessDenied, RuleBroken
from registry.importing.plan import readings
from registry.importing.rows import PROBLEM, STORED, UNUSUAL, Finding, Judged, judge
from registry.importing.table import TableError
from registry.models import ImportPart, ImportState, PartOf, TableImport, TrailHead, User
from registry.selectors.imports import table_of
from registry.services.codes import for_coded, hold_series, note_codes
from registry.services.imports import BUSY, STALE_AFTER, kind_of, plan_of, require_import, scan_of, send
from registry.trail.bulk import created_text, write_created

PAGE = 50
MAX_ATTEMPTS = 3
BATCH = 2000
TELL_EVERY_S = 0.5
Made = tuple[models.Model, str]

_log = logging.getLogger(__name__)


class Stopped(Exception):
    """Somebody cancelled, or the import is no longer in the state it was started in."""


def carry_out(key: UUID) -> None:
    """Do what an import waits for. Safe to call twice: one that is not waiting is left alone."""
    run = _claim(key)
    if run is None:
        return
    try:
        if run.state == ImportState.CHECKING:
            _check(run)
        else:
            _load(run)
    except Stopped:
        return
    except (TableError, RuleBroken, AccessDenied) as error:
        _give_up(run, str(error))
    except IntegrityError:
        _log.exception("An import was refused by the database")
        _give_up(run, "The database refused a row. Nothing was saved. Repeat the dry run.")
    except Exception:
        _give_up(run, "The import stopped because of a program error. Nothing was saved.")
        raise


def requeue_stuck() -> int:
    """Queue again what a lost worker left behind, and give up on what was tried too often."""
    stuck = TableImport.objects.filter(state__in=BUSY, updated_at__lt=timezone.now() - STALE_AFTER)
    count = 0
    for run in stuck[:100]:
        if run.attempts >= MAX_ATTEMPTS:
            _give_up(run, f"Stopped after {run.attempts} attempts. Nothing was saved.")
            continue
        TableImport.objects.filter(pk=run.pk).update(claimed_at=None, updated_at=timezone.now())
        send(run.pk, run.rows_read)
        count += 1
    return count


def _claim(key: UUID) -> TableImport | None:
    with transaction.atomic():
        run = TableImport.objects.select_for_update(no_key=True).filter(pk=key).first()
        if run is None or run.state not in BUSY or run.claimed_at is not None:
            return None
        run.claimed_at, run.attempts = timezone.now(), run.attempts + 1
        run.save()
        return run


def _tell(run: TableImport, step: str, percent: int) -> None:
    """Show how far it is; an import that is no longer in its state has been cancelled."""
    told = TableImport.objects.filter(pk=run.pk, state=run.state, claimed_at=run.claimed_at).update(
        step=step, progress_percent=percent, updated_at=timezone.now()
    )
    if not told:
        raise Stopped


def _give_up(run: TableImport, sentence: str) -> None:
    back = ImportState.NEW if run.state == ImportState.CHECKING else ImportState.CHECKED
    TableImport.objects.filter(pk=run.pk, state__in=BUSY).update(
        state=back, failure=sentence, step="", claimed_at=None, updated_at=timezone.now()
    )


def _judged(run: TableImport, step: str, share: int, *, silent: bool = False) -> Iterator[Judged]:
    """Judge every row, telling how far it is; ``share`` is the percentage that this walk makes up."""
    kind, plan = kind_of(run), plan_of(run)
    made = readings(kind, plan, scan_of(run), settings.TIME_ZONE)
    builder = kind.begin(run.centre, _by(run))
    rows, told = max(run.rows_read, 1), time.monotonic()
    for count, judged in enumerate(judge(table_of(run), kind, plan, made, builder)):
        if not silent and count % 200 == 0 and time.monotonic() - told > TELL_EVERY_S:
            _tell(run, f"{step}, row {judged.number}", min(99, share * count // rows))
            told = time.monotonic()
        yield judged


def _by(run: TableImport) -> User:
    """Return in whose name an import works: who started the loading; a dry run writes nothing of anybody's."""
    return run.loaded_by or run.uploaded_by


class _Findings:
    """Keeps findings page by page, so that neither memory nor an answer grows with them."""

    def __init__(self, run: TableImport) -> None:
        self._run, self._page, self._number = run, list[Finding](), 0
        self.counts = dict.fromkeys((PROBLEM, UNUSUAL, STORED), 0)
        run.parts.filter(of=PartOf.FINDINGS).delete()

    def add(self, finding: Finding) -> None:
        self.counts[finding.gravity] += 1
        self._page.append(finding)
        if len(self._page) == PAGE:
            self.flush()

    def flush(self) -> None:
        if self._page:
            self._number += 1
            text = json.dumps(self._page, ensure_ascii=False)
            ImportPart.objects.create(table_import=self._run, of=PartOf.FINDINGS, number=self._number, content=text)
            self._page = []


def _check(run: TableImport) -> None:
    found = _Findings(run)
    stored = count = 0
    for judged in _judged(run, "Checking", 100):
        count += 1
        stored += judged.stored
        for finding in judged.findings:
            found.add(finding)
    found.flush()
    done: dict[str, Any] = {
        "rows_read": count,
        "problems": found.counts[PROBLEM] + found.counts[STORED],
        "unusual": found.counts[UNUSUAL],
        "stored_already": stored,
        "progress_percent": 100,
        "step": "",
        "claimed_at": None,
        "state": ImportState.CHECKED,
        "updated_at": timezone.now(),
    }
    if not TableImport.objects.filter(pk=run.pk, state=run.state, claimed_at=run.claimed_at).update(**done):
        raise Stopped


def _load(run: TableImport) -> None:
    """Make the records first, then write them in one transaction, so that others wait for the writing alone.

    What was judged holds only while nobody else writes to the centre. When somebody did, it is judged again with the
    centre's writers held up.
    """
    require_import(_by(run), run.centre_id, kind_of(run))
    before = _sequence(run)
    made, rows = _prepared(run)
    _tell(run, f"Writing {len(made)} records, in one step", 80)
    with transaction.atomic():
        for_coded(hold_series, run.centre_id, (record for record, _ in made))
        head, _ = TrailHead.objects.select_for_update(no_key=True).get_or_create(centre_id=run.centre_id)
        if head.sequence != before:
            made, rows = _prepared(run, silent=True)
        locked = TableImport.objects.select_for_update(no_key=True).get(pk=run.pk)
        if locked.state != ImportState.LOADING or locked.claimed_at != run.claimed_at:
            raise Stopped
        _write(locked, made, rows)


def _sequence(run: TableImport) -> int:
    return TrailHead.objects.filter(centre_id=run.centre_id).values_list("sequence", flat=True).first() or 0


def _prepared(run: TableImport, *, silent: bool = False) -> tuple[list[Made], int]:
    made: list[Made] = []
    rows = 0
    for judged in _judged(run, "Preparing", 80, silent=silent):
        grave = next((one for one in judged.findings if one.gravity != UNUSUAL), None)
        if grave:
            raise RuleBroken(
                f"The registry has changed since the dry run: row {grave.row}, {grave.column}: {grave.sentence}. "
                "Nothing was saved. Repeat the dry run."
            )
        rows += bool(judged.records)
        made += [(record, created_text(record)) for record in judged.records]
    return made, rows


def _write(run: TableImport, made: list[Made], rows: int) -> None:
    by_model: dict[type[models.Model], list[models.Model]] = {}
    for record, _ in made:
        by_model.setdefault(type(record), []).append(record)
    for model, records in by_model.items():
        for start in range(0, len(records), BATCH):
            model._default_manager.bulk_create(records[start : start + BATCH])
    for_coded(note_codes, run.centre_id, (record for record, _ in made))
    # Not the file's name: it may be a patient's, and the trail is in the clear.
    reason = f"import {run.pk}"
    write_created(centre_id=run.centre_id, by=_by(run), records=made, reason=reason)
    run.parts.all().delete()
    run.state, run.step, run.progress_percent, run.claimed_at = ImportState.LOADED, "", 100, None
    run.records_made, run.finished_at = rows, timezone.now()
    run.look = "{}"
    run.save()
