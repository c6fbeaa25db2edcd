"""Who may change an import, and when: what every act on one begins with."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

from django.db import transaction

from registry.access import Right, require
from registry.described.table import TableKind
from registry.errors import RuleBroken
from registry.models import ImportRun, ImportState, PieceOf, TableImport, User
from registry.selectors.imports import table_kind_of


def require_import(by: User, centre_id: UUID, kind: TableKind) -> None:
    """Refuse unless the user may import tables and may write what this kind writes.

    Raises
    ------
    AccessDenied
        With a sentence.
    """
    for right in (Right.IMPORT_TABLES, *kind.rights):
        require(by, centre_id, right)


@contextmanager
def editing(by: User, run: TableImport) -> Iterator[TableImport]:
    """Hold the row of an import that may be changed now, for a user who may."""
    require_import(by, run.centre_id, table_kind_of(run))
    with transaction.atomic():
        locked = TableImport.objects.select_for_update(no_key=True).get(pk=run.pk)
        if locked.state == ImportState.LOADED:
            raise RuleBroken("This table has already been loaded.")
        if locked.state == ImportState.DISCARDED:
            raise RuleBroken("This import was discarded; upload the file again.")
        if locked.runs.filter(state__in=ImportRun.BUSY).exists():
            raise RuleBroken("This import is running. Wait, or cancel it.")
        yield locked


def reset(run: TableImport) -> None:
    """Drop what a dry run found: something it rested on has changed."""
    run.pieces.filter(of=PieceOf.FINDINGS).delete()
    run.state, run.loaded_by = ImportState.NEW, None
    run.problems = run.unusual = run.stored_already = 0


def text_of(value: Any) -> str:
    """Return a value as it is kept."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
