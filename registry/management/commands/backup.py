"""Make a backup of database and recordings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.keeping.taking import backup
from registry.management.keeping import in_a_sentence
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Seal database and recordings into a folder, while people work."""

    help = (
        "Make a sealed backup of the database and of recordings that the folder lacks. The service's keys are not in "
        "it: keep them elsewhere (docs/backup.md)."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the folder and how many to keep."""
        parser.add_argument("folder", type=Path, metavar="DIR", help="folder of backups")
        parser.add_argument("--keep", type=int, metavar="N", help="then remove all but the latest N")

    def handle(self, *args: Any, **options: Any) -> None:
        """Make it, and say what it holds."""
        if options["keep"] is not None and options["keep"] < 1:
            raise CommandError("--keep must be at least 1.", returncode=2)
        with in_a_sentence(f"The backup could not be written to {options['folder']}"):
            place, new, files = backup(options["folder"], keep=options["keep"])
        self.stdout.write(f"Wrote {place}: the database and {files} files, {new} of them new.")
