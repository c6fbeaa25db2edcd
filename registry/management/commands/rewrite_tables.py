"""Make the database forget deleted rows."""

from __future__ import annotations

from typing import Any

from registry.management.sentence import SentenceCommand
from registry.services.compacting import compact


class Command(SentenceCommand):
    """Rewrite every table without what was deleted from it."""

    help = "Rewrite the tables, so that the database's files no longer hold deleted rows. Writers wait meanwhile."

    def handle(self, *args: Any, **options: Any) -> None:
        """Rewrite, and say so."""
        compact()
        self.stdout.write("The tables are rewritten. The database's files no longer hold deleted rows.")
