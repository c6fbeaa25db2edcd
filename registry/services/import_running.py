"""The dry run and the loading of a table, done by a worker."""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Iterator
from typing import Any

from django.conf import settings
from django.db import IntegrityError, models, transaction
from django.utils import timezone

from registry.errors import AccessDenied, RuleBroken
from registry.importing.plan import readings
from registry.importing.rows import PROBLEM, STORED, UNUSUAL, Finding, Judged, judge
from registry.importing.table import TableError
from registry.jobs import Claim, Refused
from registry.models import ImportPiece, ImportRun, ImportState, ImportTask, PieceOf, TableImport, TrailHead, User
from registry.selectors.imports import plan_of, scan_of, table_kind_of, table_of
from registry.services.codes import for_coded, hold_series, note_codes
from registry.services.imports import require_import
from registry.trail.bulk import created_text, write_created

PAGE = 50
BATCH = 2000
TELL_EVERY_S = 0.5
Made = tuple[models.Model, str]

_log = logging.getLogger(__name__)


def carry_out(claim: Claim) -> None:
    """Do a dry run or a loading. Safe to call twice: findings are made again, and a table is loaded once or not."""
    run = ImportRun.objects.select_related("table_import__centre").get(pk=claim.key)
    try:
        if run.task == ImportTask.CHECK:
            _check(claim, run.table_import)
        else:
            _load(claim, run.table_import)
    except (TableError, RuleBroken, AccessDenied) as error:
        raise Refused(str(error)) from error
    except IntegrityError as error:
        _log.exception("An import was refused by the database")
        raise Refused("The database refused a row. Nothing was saved. Repeat the dry run.") from error


def _judged(claim: Claim, run: TableImport, step: str, share: float, *, silent: bool = False) -> Iterator[Judged]:
    """Judge every row, telling how far it is; ``share`` is how much of the whole this walk makes up."""
    kind, plan = table_kind_of(run), plan_of(run)
    made = readings(kind, plan, scan_of(run), settings.TIME_ZONE)
    builder = kind.begin(run.centre, _by(run))
    rows, told = max(run.rows_read, 1), time.monotonic()
    for count, judged in enumerate(judge(table_of(run), kind, plan, made, builder)):
        if not silent and count % 200 == 0 and time.monotonic() - told > TELL_EVERY_S:
            claim.tell(f"{step}, row {judged.number}", min(0.99, share * count / rows))
            told = time.monotonic()
        yield judged


def _by(run: TableImport) -> User:
    """Return in whose name an import works: who started the loading; a dry run writes nothing of anybody's."""
    return run.loaded_by or run.uploaded_by


class _Findings:
    """Keeps findings page by page, so that neither memory nor an answer grows with them."""

    def __init__(self, claim: Claim, run: TableImport) -> None:
        self._claim, self._run, self._page, self._number = claim, run, list[Finding](), 0
        self.counts = dict.fromkeys((PROBLEM, UNUSUAL, STORED), 0)
        with claim.writing(last=False):
            run.pieces.filter(of=PieceOf.FINDINGS).delete()

    def add(self, finding: Finding) -> None:
        self.counts[finding.gravity] += 1
        self._page.append(finding)
        if len(self._page) == PAGE:
            self.flush()

    def flush(self) -> None:
        if self._page:
            self._number += 1
            text = json.dumps(self._page, ensure_ascii=False)
            about = {"table_import": self._run, "of": PieceOf.FINDINGS, "number": self._number}
            with self._claim.writing(last=False):
                ImportPiece.objects.create(**about, content=text)
            self._page = []


def _check(claim: Claim, run: TableImport) -> None:
    found = _Findings(claim, run)
    stored = count = 0
    for judged in _judged(claim, run, "Checking", 1):
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
        "state": ImportState.CHECKED,
        "updated_at": timezone.now(),
    }
    with claim.writing():
        TableImport.objects.filter(pk=run.pk).update(**done)


def _load(claim: Claim, run: TableImport) -> None:
    """Make the records first, then write them in one transaction, so that others wait for the writing alone.

    What was judged holds only while nobody else writes to the centre. When somebody did, it is judged again with the
    centre's writers held up.
    """
    require_import(_by(run), run.centre_id, table_kind_of(run))
    before = _sequence(run)
    made, rows = _prepared(claim, run)
    claim.tell(f"Writing {len(made)} records, in one step", 0.8)
    with transaction.atomic():
        for_coded(hold_series, run.centre_id, (record for record, _ in made))
        head, _ = TrailHead.objects.select_for_update(no_key=True).get_or_create(centre_id=run.centre_id)
        if head.sequence != before:
            made, rows = _prepared(claim, run, silent=True)
        with claim.writing():
            _write(TableImport.objects.select_for_update(no_key=True).get(pk=run.pk), made, rows)


def _sequence(run: TableImport) -> int:
    return TrailHead.objects.filter(centre_id=run.centre_id).values_list("sequence", flat=True).first() or 0


def _prepared(claim: Claim, run: TableImport, *, silent: bool = False) -> tuple[list[Made], int]:
    made: list[Made] = []
    rows = 0
    for judged in _judged(claim, run, "Preparing", 0.8, silent=silent):
        grave = next((one for one in judged.findings if one.gravity != UNUSUAL), None)
        if grave:
            raise RuleBroken(
                f"The registry has changed since the dry run: row {grave.row}, {grave.column}: {grave.sentence}. "
                "Nothing was saved. Repeat the dry run."
            )
        rows += bool(judged.records)
        made += [(record, created_text(record, _reason(run))) for record in judged.records]
    return made, rows


def _reason(run: TableImport) -> str:
    """Return what the links say of an import. Not the file's name: it may be another patient's."""
    return f"import {run.pk}"


def _write(run: TableImport, made: list[Made], rows: int) -> None:
    by_model: dict[type[models.Model], list[models.Model]] = {}
    for record, _ in made:
        by_model.setdefault(type(record), []).append(record)
    for model, records in by_model.items():
        for start in range(0, len(records), BATCH):
            model._default_manager.bulk_create(records[start : start + BATCH])
    for_coded(note_codes, run.centre_id, (record for record, _ in made))
    write_created(centre_id=run.centre_id, by=_by(run), records=made)
    run.pieces.all().delete()
    run.state = ImportState.LOADED
    run.records_made, run.finished_at = rows, timezone.now()
    run.look = "{}"
    run.save()
