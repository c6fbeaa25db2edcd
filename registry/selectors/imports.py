"""Reading imports: those of the centres in which the user may import."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from registry.access import Right, centres_for
from registry.importing.plan import Plan
from registry.importing.table import Cell, Fault, TableError
from registry.models import ImportState, TableImport, User
from registry.services.imports import table_of

FIRST_ROWS = 4
LONGEST_SHOWN = 40


def imports_for(user: User) -> QuerySet[TableImport]:
    """Return the imports of the centres in which the user may import, latest first; the kept files are left alone."""
    centres = centres_for(user, Right.IMPORT_TABLES)
    return TableImport.objects.filter(centre__in=centres).select_related("centre", "uploaded_by", "loaded_by")


def find_import(user: User, key: UUID) -> TableImport:
    """Return one import.

    Raises
    ------
    ObjectDoesNotExist
        When it does not exist, or belongs to a centre in which the user does not import.
    """
    return imports_for(user).get(pk=key)


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


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, Fault):
        return f"({cell.sentence})"
    text: Any = cell
    if isinstance(cell, float) and cell.is_integer():
        text = int(cell)
    return str(text).strip()[:LONGEST_SHOWN]
