"""After a restore, erase again the patients erased before."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from registry.errors import RuleBroken
from registry.management.sentence import SentenceCommand
from registry.services.compacting import compact
from registry.services.erasure import apply_erasures


class Command(SentenceCommand):
    """Apply the list of erasures to a database and files that came from an earlier backup."""

    help = "After the restore of a backup: erase again every patient on the list of erasures (TRIBUTARY_ERASURES)."

    def handle(self, *args: Any, **options: Any) -> None:
        """Erase, and say how many."""
        try:
            applied = apply_erasures()
        except RuleBroken as error:
            raise CommandError(str(error), returncode=2) from None
        if applied:
            compact()
        rows = sum(sum(one.rows.values()) for one in applied)
        self.stdout.write(f"{len(applied)} erasures applied again, {rows} rows removed.")
