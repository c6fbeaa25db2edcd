"""Write the heads of the change trail to a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.management.sentence import SentenceCommand
from registry.trail.heads import exported_heads


class Command(SentenceCommand):
    """Write the number and digest of every centre's last link to a signed file, to be kept away from the database."""

    help = "Write the head of every centre's change trail to a signed file; keep it away from the database."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the file."""
        parser.add_argument("file", type=Path, help="new file, or - for standard output")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write; a file that is there is never overwritten."""
        text, path = exported_heads(), options["file"]
        if str(path) == "-":
            self.stdout.write(text, ending="")
            return
        try:
            with path.open("x", encoding="utf-8") as stream:
                stream.write(text)
        except FileExistsError:
            raise CommandError(f"{path} already exists; name a new file.", returncode=2) from None
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.", returncode=2) from error
        self.stdout.write(f"Wrote {path}.")
