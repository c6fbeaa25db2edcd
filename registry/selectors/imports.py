"""Reading imports of the centres in which the user may import: the file, what was decided, what the dry run found."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from typing import Any
from uuid import UUID

from django.db.models import OuterRef, QuerySet, Subquery

from registry.access import Right, centres_for
from registry.described.kind import tables
from registry.described.table import TableKind
from registry.importing.plan import Plan
from registry.importing.reading import read_table
from registry.importing.scan import Scan
from registry.importing.table import Cell, Fault, Table, TableError
from registry.models import ImportPiece, ImportRun, ImportState, PieceOf, TableImport, User
from registry.numbers.outside import LARGEST

FIRST_ROWS = 4
LONGEST_SHOWN = 40


def imports_for(user: User) -> QuerySet[TableImport]:
    """Return the imports of the centres in which the user may import, latest first; the kept files are left alone.

    ``task`` of each is what is being done with it now, None when nothing is.
    """
    centres = centres_for(user, Right.IMPORT_TABLES)
    busy = ImportRun.objects.filter(table_import=OuterRef("pk"), state__in=ImportRun.BUSY)
    found = TableImport.objects.filter(centre__in=centres).annotate(task=Subquery(busy.values("task")[:1]))
    return found.select_related("centre", "uploaded_by", "loaded_by")


def find_import(user: User, key: UUID) -> TableImport:
    """Return one import.

    Raises
    ------
    ObjectDoesNotExist
        When it does not exist, or belongs to a centre in which the user does not import.
    """
    return imports_for(user).get(pk=key)


def table_kind_of(run: TableImport) -> TableKind:
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


def run_of(found: TableImport) -> ImportRun | None:
    """Return the latest dry run or loading of an import."""
    return found.runs.first()


def table_of(run: TableImport) -> Table:
    """Open the kept file again.

    Raises
    ------
    TableError
        When it cannot be read.
    """
    pieces = ImportPiece.objects.filter(table_import=run, of=PieceOf.FILE).values_list("content", flat=True)
    content = b"".join(base64.b64decode(piece) for piece in pieces)
    return read_table(content, sheet=run.sheet, encoding=run.encoding, separator=run.separator)


def last_plan(run: TableImport) -> tuple[Plan, TableImport] | None:
    """Return what was decided last time for this kind in this centre, and when that was."""
    others = TableImport.objects.filter(centre=run.centre_id, kind=run.kind, state=ImportState.LOADED)
    before = others.exclude(pk=run.pk).select_related("uploaded_by", "loaded_by").order_by("-finished_at").first()
    return (Plan.of(json.loads(before.plan)), before) if before else None


def first_rows(run: TableImport) -> list[tuple[int, list[str]]]:
    """Return the file's first rows as text, so that a person sees what a column holds."""
    try:
        return [
            (number, [_shown(cell) for cell in row])
            for _, (number, row) in zip(range(FIRST_ROWS), table_of(run).rows, strict=False)
        ]
    except TableError:
        return []


def findings_page(run: TableImport, number: int) -> list[list[Any]]:
    """Return one page of what the dry run found."""
    part = run.pieces.filter(of=PieceOf.FINDINGS, number=number).first()
    return list(json.loads(part.content)) if part else []


def findings_pages(run: TableImport) -> Iterator[list[list[Any]]]:
    """Walk through everything the dry run found, page after page."""
    for content in run.pieces.filter(of=PieceOf.FINDINGS).values_list("content", flat=True).iterator(chunk_size=20):
        yield json.loads(content)


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, Fault):
        return f"({cell.sentence})"
    text: Any = cell
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < LARGEST:
        text = int(cell)
    return str(text).strip()[:LONGEST_SHOWN]
