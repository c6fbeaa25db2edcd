"""Check the change trail."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.errors import RuleBroken
from registry.management.sentence import SentenceCommand
from registry.models import Change
from registry.trail.heads import Head, read_heads
from registry.trail.verify import faults

SHOWN = 50


class Command(SentenceCommand):
    """Walk every centre's chain and name each altered, missing or reordered link."""

    help = "Check the change trail of every centre; exit code 1 when a link is broken."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take files of heads to check against."""
        parser.add_argument(
            "--against",
            metavar="FILE",
            action="append",
            type=Path,
            default=[],
            help="file written by export_trail_heads; also detects a cut or rewritten end. Can be given several times",
        )
        parser.add_argument(
            "--public-key", metavar="HEX", help="key that the files were signed with, if not this service's"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the faults, or how many links hold."""
        heads = [head for path in options["against"] for head in self._heads(path, options["public_key"])]
        found, first = 0, ""
        for fault in faults(heads):
            found, first = found + 1, first or fault
            if found <= SHOWN:
                self.stderr.write(fault)
        if found:
            more = f" (the first {SHOWN} are listed)" if found > SHOWN else ""
            raise CommandError(f"{found} fault(s) in the change trail{more}; the first: {first}", returncode=1)
        against = f", and {len(heads)} exported heads are among them" if heads else ""
        self.stdout.write(f"{Change.objects.count()} links, all in order{against}.")

    def _heads(self, path: Path, key: str | None) -> list[Head]:
        try:
            return read_heads(path.read_text(encoding="utf-8"), signed_by=key)
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.", returncode=2) from error
        except (RuleBroken, UnicodeDecodeError) as error:
            what = str(error) if isinstance(error, RuleBroken) else "This is not a file of trail heads."
            raise CommandError(f"{path}: {what}", returncode=2) from error
