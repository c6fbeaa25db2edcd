"""What a database holds, counted by its own driver: the same questions to the service's and to a restored one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import models

from registry.models import Change, TrailHead

_TABLES = {
    "postgresql": "SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY 1",
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY 1",
}


@dataclass(frozen=True)
class Contents:
    """Rows by table, the last link of each centre's trail as its head and as the trail itself say, and the files."""

    counts: dict[str, int]
    heads: list[list[Any]]
    links: list[list[Any]]
    files: list[str]


def _rows(connection: Any, sql: str) -> list[tuple[Any, ...]]:
    cursor = connection.cursor()
    cursor.execute(sql)
    rows: list[tuple[Any, ...]] = cursor.fetchall()
    cursor.close()
    return rows


def tables(connection: Any, vendor: str) -> list[str]:
    """Return the names of the tables."""
    return [name for (name,) in _rows(connection, _TABLES[vendor]) if re.fullmatch(r"\w+", name)]


def contents(connection: Any, vendor: str) -> Contents:
    """Count and list over a connection of the database's own driver; names of tables come from the database itself."""
    names = tables(connection, vendor)
    counts = {name: int(_rows(connection, f'SELECT count(*) FROM "{name}"')[0][0]) for name in names}  # noqa: S608
    heads = f'SELECT centre_id, sequence, digest FROM "{TrailHead._meta.db_table}"'  # noqa: S608
    change = Change._meta.db_table
    links = (
        f'SELECT c.centre_id, c.sequence, c.digest FROM "{change}" c JOIN (SELECT centre_id, max(sequence) AS last '  # noqa: S608
        f'FROM "{change}" GROUP BY centre_id) l ON l.centre_id = c.centre_id AND l.last = c.sequence'
    )
    return Contents(
        counts, _ends(_rows(connection, heads)), _ends(_rows(connection, links)), sorted(_files(connection, names))
    )


def _ends(rows: list[tuple[Any, ...]]) -> list[list[Any]]:
    return sorted([UUID(str(centre)).hex, int(sequence), str(digest)] for centre, sequence, digest in rows)


def _files(connection: Any, names: list[str]) -> set[str]:
    """Return the names of all stored files that a row points at."""
    found: set[str] = set()
    for model in apps.get_models():
        if model._meta.db_table not in names:
            continue
        for field in model._meta.local_fields:
            if isinstance(field, models.FileField):
                sql = f'SELECT DISTINCT "{field.column}" FROM "{model._meta.db_table}"'  # noqa: S608
                found |= {str(name) for (name,) in _rows(connection, sql) if name}
    return found
