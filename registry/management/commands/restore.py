"""Restore a backup into an empty service."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from registry.keeping.giving import chosen, restore
from registry.keeping.sealing import identities
from registry.management.keeping import about_a_backup, in_a_sentence
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Put back files and database; nothing is changed where the database is not empty."""

    help = "Restore a backup into an empty database and folder of recordings."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the backup and its key."""
        about_a_backup(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        """Restore, and say what to do next."""
        with in_a_sentence("The backup could not be restored"):
            keys = identities(options["key"])
            found = restore(chosen(options["folder"], options["backup"]), keys)
        self.stdout.write(
            f"Restored {found.place.name}: {found.rows} rows, {found.links} links of the change trail, {found.files} "
            "files. Next: 'manage.py migrate', 'manage.py apply_erasures' (until then the service is not ready), "
            "'manage.py verify_trail --against' the latest exported heads, and 'manage.py prepare_recordings'."
        )
