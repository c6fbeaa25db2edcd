"""Taking in a table: kept once by content, decided column by column, checked and loaded in the background."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Protocol
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.db.models.functions import Now
from django.utils import timezone

from registry.access import Right, require
from registry.days import in_words
from registry.described.kind import tables
from registry.described.table import TableKind
from registry.errors import RuleBroken
from registry.importing.csv_table import ENCODINGS, SEPARATORS
from registry.importing.plan import Plan, check_columns, questions, readings
from registry.importing.reading import read_table
from registry.importing.scan import Scan, scan
from registry.importing.table import MAX_BYTES, Table, TableError
from registry.jobs import cancel, send_again, send_later
from registry.models import Centre, ImportPart, ImportRun, ImportState, ImportTask, PartOf, TableImport, User
from registry.selectors.imports import table_of
from registry.services.records import put

PIECE = 512 * 1024


class Upload(Protocol):
    """An uploaded file, as the web framework hands it over."""

    def chunks(self) -> Iterable[bytes]: ...


def kind_of(run: TableImport) -> TableKind:
    """Return the kind of an import."""
    return tables()[run.kind]


def plan_of(run: TableImport) -> Plan:
    """Return what was decided so far."""
    return Plan.of(json.loads(run.plan))


def look_of(run: TableImport) -> dict[str, Any]:
    """Return names of columns and sheets, and notes about the file."""
    return dict(json.loads(run.look))


def scan_of(run: TableImport) -> Scan:
    """Return what the first walk over the rows saw."""
    return Scan(**look_of(run).get("scan", {}))


def require_import(by: User, centre_id: UUID, kind: TableKind) -> None:
    """Refuse unless the user may import tables and may write what this kind writes.

    Raises
    ------
    AccessDenied
        With a sentence.
    """
    for right in (Right.IMPORT_TABLES, *kind.rights):
        require(by, centre_id, right)


def begin_import(
    *,
    by: User,
    centre: Centre,
    kind: str,
    upload: Upload,
    original_name: str,
    encoding: str = "utf-8",
    separator: str = "",
    sheet: str = "",
    key: UUID | None = None,
) -> TableImport:
    """Keep a file for import. A file that is under way for this kind already is taken up where it stands.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When the file cannot be read, or was loaded before.
    """
    if kind not in tables():
        raise RuleBroken(f"'{kind}' is not a kind of table; the kinds are {', '.join(tables())}.")
    require_import(by, centre.pk, tables()[kind])
    if encoding not in ENCODINGS or (separator and separator not in SEPARATORS):
        raise RuleBroken(f"The encodings are {', '.join(ENCODINGS)}, the separators {', '.join(SEPARATORS)}.")
    content = _received(upload)
    sha256 = hashlib.sha256(content).hexdigest()
    before = TableImport.objects.filter(centre=centre, kind=kind, sha256=sha256)
    under_way = before.exclude(state__in=(ImportState.LOADED, ImportState.DISCARDED)).filter(
        encoding=encoding, separator=separator
    )
    if run := under_way.first():
        return run
    table = _opened(content, sheet, encoding, separator, original_name)
    loaded = (
        before.filter(state=ImportState.LOADED, sheet=table.sheet).select_related("uploaded_by", "loaded_by").first()
    )
    if loaded and (table.sheet or len(table.sheets) < 2):
        raise RuleBroken(_loaded_before(loaded), fields={"file": [_loaded_before(loaded)]})
    with transaction.atomic():
        values = {
            "kind": kind,
            "uploaded_by": by,
            "original_name": Path(original_name.replace("\\", "/")).name[:200],
            "sha256": sha256,
            "size_bytes": len(content),
            "encoding": encoding,
            "separator": separator,
            "sheet": table.sheet[:100],
            "look": _text({"header": table.header, "sheets": table.sheets, "notes": table.notes}),
        }
        run, made = put(TableImport, by=by, centre_id=centre.pk, scope={"centre": centre}, values=values, key=key)
        if made:
            pieces = (content[start : start + PIECE] for start in range(0, len(content), PIECE))
            for number, piece in enumerate(pieces):
                encoded = base64.b64encode(piece).decode()
                ImportPart.objects.create(table_import=run, of=PartOf.FILE, number=number, content=encoded)
    return run


def _received(upload: Upload) -> bytes:
    held = bytearray()
    for chunk in upload.chunks():
        held += chunk
        if len(held) > MAX_BYTES:
            message = f"The file is larger than {MAX_BYTES // 1024**2} MB. Split it, or save it as CSV."
            raise RuleBroken(message, fields={"file": [message]})
    return bytes(held)


def _opened(content: bytes, sheet: str, encoding: str, separator: str, name: str) -> Table:
    try:
        table = read_table(content, sheet=sheet, encoding=encoding, separator=separator)
        if table.header and next(table.rows, None) is None:
            raise TableError("There are no rows below the column names.")
    except TableError as error:
        raise RuleBroken(f"{Path(name).name}: {error}", fields={"file": [str(error)]}) from None
    return table


def _loaded_before(run: TableImport) -> str:
    ended = timezone.localtime(run.finished_at) if run.finished_at else None
    when = f"{in_words(ended)}, {ended:%H:%M}," if ended else "an earlier day"
    return (
        f"This file was already loaded, on {when} by {run.loaded_by or run.uploaded_by}: {run.records_made} "
        "records. Nothing was saved again."
    )


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def choose_sheet(*, by: User, run: TableImport, sheet: str) -> TableImport:
    """Say which sheet of a workbook is meant; decisions about another sheet are dropped.

    Raises
    ------
    RuleBroken
        When there is no such sheet, or it cannot be read.
    """
    with _editing(by, run) as locked:
        locked.sheet = sheet
        try:
            table = table_of(locked)
            if table.header and next(table.rows, None) is None:
                raise TableError("There are no rows below the column names.")
        except TableError as error:
            raise RuleBroken(str(error), fields={"sheet": [str(error)]}) from None
        look = {"header": table.header, "sheets": table.sheets, "notes": table.notes}
        locked.look, locked.plan = _text(look), "{}"
        _reset(locked)
        locked.save()
        return locked


def decide_columns(*, by: User, run: TableImport, plan: Plan) -> TableImport:
    """Keep what each column is for, then walk the rows once to see what the file leaves open.

    Raises
    ------
    RuleBroken
        When a column does not exist, is used twice, or a required field has none.
    """
    with _editing(by, run) as locked:
        look = look_of(locked)
        if not look["header"]:
            raise RuleBroken("Choose the sheet first.", fields={"sheet": ["Choose the sheet."]})
        kind = kind_of(locked)
        check_columns(kind, look["header"], plan)
        targets = {target.name: target for target in kind.targets()}
        try:
            table = table_of(locked)
            places = {name: place for place, name in enumerate(table.header) if name}
            seen = scan(table.rows, {places[c]: targets[n] for n, c in plan.columns.items()}, plan.missing)
        except TableError as error:
            raise RuleBroken(str(error), fields={"": [str(error)]}) from None
        locked.look = _text(look | {"scan": seen.stored()})
        locked.plan = _text(asdict(plan))
        locked.rows_read = seen.rows
        _reset(locked)
        locked.save()
        return locked


def answer_questions(*, by: User, run: TableImport, answers: dict[str, str]) -> TableImport:
    """Keep the answers to what the file leaves open, by the keys of the questions.

    Raises
    ------
    RuleBroken
        When an answer is none of those offered.
    """
    with _editing(by, run) as locked:
        kind, plan, seen = kind_of(locked), plan_of(locked), scan_of(locked)
        asked = {one.key: one for one in questions(kind, plan, seen)}
        wrong: dict[str, list[str]] = {}
        for key, answer in answers.items():
            question = asked.get(key)
            if question is None:
                continue
            if answer not in dict(question.options):
                wrong[key] = [f"{question.label}: choose one of the options shown."]
                continue
            sort, _, rest = key.partition(":")
            if sort == "unit":
                plan = replace(plan, units={**plan.units, rest: answer})
            elif sort == "word":
                name, _, word = rest.partition(":")
                plan = replace(plan, words={**plan.words, name: {**plan.words.get(name, {}), word: answer}})
            else:
                plan = Plan.of(asdict(plan) | {sort: answer})
        if wrong:
            raise RuleBroken(next(iter(wrong.values()))[0], fields=wrong)
        locked.plan = _text(asdict(plan))
        _reset(locked)
        locked.save()
        return locked


def start_check(*, by: User, run: TableImport, queue: bool = True) -> TableImport:
    """Queue the dry run; nothing of the table is written by it. Without ``queue`` the caller carries it out.

    Raises
    ------
    RuleBroken
        When columns or questions are still open.
    """
    with _editing(by, run) as locked:
        if not plan_of(locked).columns:
            raise RuleBroken("Match the columns first.")
        readings(kind_of(locked), plan_of(locked), scan_of(locked), settings.TIME_ZONE)
        _reset(locked)
        return _queue(locked, ImportTask.CHECK, queue)


def start_load(*, by: User, run: TableImport, confirmed: bool = False, queue: bool = True) -> TableImport:
    """Queue the loading of a table whose dry run found no problem. Without ``queue`` the caller carries it out.

    Raises
    ------
    RuleBroken
        When there was no dry run, it found problems, or unusual values are not confirmed.
    """
    with _editing(by, run) as locked:
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
    require_import(by, run.centre_id, kind_of(run))
    if busy := run.runs.filter(state__in=ImportRun.BUSY).first():
        send_again(busy)
        return run
    return start_check(by=by, run=run)


def cancel_import(*, by: User, run: TableImport) -> TableImport:
    """Stop a dry run, or a loading that has not begun to write; nothing of it stays."""
    require_import(by, run.centre_id, kind_of(run))
    cancel(run.runs.all())
    run.refresh_from_db()
    return run


def discard_import(*, by: User, run: TableImport) -> TableImport:
    """Throw the kept file away; nothing of it was written, or everything was."""
    with _editing(by, run) as locked:
        locked.parts.all().delete()
        locked.state, locked.look, locked.finished_at = ImportState.DISCARDED, "{}", timezone.now()
        locked.save()
        return locked


@contextmanager
def _editing(by: User, run: TableImport) -> Iterator[TableImport]:
    """Hold the row of an import that may be changed now, for a user who may."""
    require_import(by, run.centre_id, kind_of(run))
    with transaction.atomic():
        locked = TableImport.objects.select_for_update(no_key=True).get(pk=run.pk)
        if locked.state == ImportState.LOADED:
            raise RuleBroken("This table has already been loaded.")
        if locked.state == ImportState.DISCARDED:
            raise RuleBroken("This import was discarded; upload the file again.")
        if locked.runs.filter(state__in=ImportRun.BUSY).exists():
            raise RuleBroken("This import is running. Wait, or cancel it.")
        yield locked


def _reset(run: TableImport) -> None:
    run.parts.filter(of=PartOf.FINDINGS).delete()
    run.state, run.loaded_by = ImportState.NEW, None
    run.problems = run.unusual = run.stored_already = 0


def _queue(run: TableImport, task: ImportTask, queue: bool) -> TableImport:
    run.save()
    # Who carries it out at once counts as having been sent it.
    waiting = ImportRun.objects.create(table_import=run, task=task, sent_at=None if queue else Now())
    if queue:
        send_later(waiting)
    return run


def findings_page(run: TableImport, number: int) -> list[list[Any]]:
    """Return one page of what the dry run found."""
    part = run.parts.filter(of=PartOf.FINDINGS, number=number).first()
    return list(json.loads(part.content)) if part else []


def findings_pages(run: TableImport) -> Iterator[list[list[Any]]]:
    """Walk through everything the dry run found, page after page."""
    for content in run.parts.filter(of=PartOf.FINDINGS).values_list("content", flat=True).iterator(chunk_size=20):
        yield json.loads(content)
