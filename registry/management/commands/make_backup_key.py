"""Make the pair of keys that backups are sealed with."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.keeping.sealing import make_key
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Write the private key to a new file and print the public one."""

    help = "Make a key for backups. The file opens them: keep it away from this machine, and a copy on paper."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the file."""
        parser.add_argument("file", type=Path, help="new file for the private key")

    def handle(self, *args: Any, **options: Any) -> None:
        """Make it; a file that is there is never overwritten."""
        path = options["file"]
        try:
            public = make_key(path)
        except FileExistsError:
            raise CommandError(f"{path} already exists; name a new file.", returncode=2) from None
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.", returncode=2) from None
        self.stdout.write(f"TRIBUTARY_BACKUP_RECIPIENTS={public}")
