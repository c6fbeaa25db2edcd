"""Making a database forget deleted rows: until then their bytes stay in its files."""

from __future__ import annotations

from django.apps import apps
from django.db import connection


def compact() -> None:
    """Rewrite the tables without what was deleted from them. Outside a transaction; writers wait meanwhile."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("VACUUM")
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return
        for model in apps.get_models(include_auto_created=True):
            cursor.execute(f"VACUUM (FULL, ANALYZE) {connection.ops.quote_name(model._meta.db_table)}")
        cursor.execute("CHECKPOINT")
