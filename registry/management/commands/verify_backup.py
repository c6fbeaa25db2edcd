"""Verify a backup by restoring it."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from registry.jobs import signs
from registry.keeping.giving import chosen, verify
from registry.keeping.sealing import identities
from registry.management.keeping import about_a_backup, in_a_sentence
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Restore a backup into a fresh database, compare, and drop that again; the service's page shows when."""

    help = "Restore a backup into a fresh database and compare rows, hashes and the heads of the change trail."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the backup and its key."""
        about_a_backup(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        """Verify, and say what was equal."""
        with in_a_sentence("The backup could not be opened"):
            keys = identities(options["key"])
            found = verify(chosen(options["folder"], options["backup"]), keys)
        signs.give(signs.VERIFIED)
        self.stdout.write(
            f"{found.place.name}: {found.rows} rows, {found.links} links of the change trail and {found.files} files "
            "are as they were."
        )
