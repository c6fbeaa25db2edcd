"""Check the change trail."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.errors import RuleBroken
from registry.management.sentence import SentenceCommand
from registry.models import Change
from registry.trail.heads import Head, Verified, current_heads, read_heads, read_remembered, remembered
from registry.trail.sharing import shared
from registry.trail.verify import PARTS, pieces

SHOWN = 50
MOST_PROCESSES = 64


class Command(SentenceCommand):
    """Walk every centre's chain, compare every row with its links, and name what does not hold."""

    help = (
        "Check the change trail of every centre, and every row against its links; exit code 1 when something does not "
        "hold."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take files of heads to check against, and how to share and shorten the work."""
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
        parser.add_argument(
            "--remember",
            metavar="FILE",
            type=Path,
            help=(
                "signed file that keeps how far the trail was verified; the next run starts there. It compares the "
                f"rows written to since, and one in {PARTS} of the others, so that {PARTS} runs compare them all"
            ),
        )
        parser.add_argument("--full", action="store_true", help="verify everything, past what --remember kept")
        parser.add_argument("--processes", type=int, default=1, help="share the work among so many processes (1)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the faults, or how many links hold."""
        if not 1 <= options["processes"] <= MOST_PROCESSES:
            raise CommandError(f"--processes must be from 1 to {MOST_PROCESSES}.", returncode=2)
        heads = [head for path in options["against"] for head in self._heads(path, options["public_key"])]
        before = self._remembered(options["remember"])
        since = None if options["full"] else before
        # Read before the walk, so that the run reaches at least as far.
        reached = Verified(current_heads(), before.part + 1 if before else 0)
        found, first = 0, ""
        for fault in shared(pieces(heads, since), options["processes"]):
            found, first = found + 1, first or fault
            if found <= SHOWN:
                self.stderr.write(fault)
        if found:
            more = f" (the first {SHOWN} are listed)" if found > SHOWN else ""
            raise CommandError(f"{found} fault(s) in the change trail{more}; the first: {first}", returncode=1)
        if path := options["remember"]:
            self._remember(path, reached)
        against = f", and {len(heads)} exported heads are among them" if heads else ""
        earlier = sum(head.sequence for head in since.heads) if since else 0
        read = f"; {earlier} of them were verified before" if since else ""
        self.stdout.write(f"{Change.objects.count()} links, all in order{against}{read}.")

    def _heads(self, path: Path, key: str | None) -> list[Head]:
        try:
            return read_heads(path.read_text(encoding="utf-8"), signed_by=key)
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.", returncode=2) from error
        except (RuleBroken, UnicodeDecodeError) as error:
            what = str(error) if isinstance(error, RuleBroken) else "This is not a file of trail heads."
            raise CommandError(f"{path}: {what}", returncode=2) from error

    def _remembered(self, path: Path | None) -> Verified | None:
        """Return what an earlier run kept; nothing when there was none."""
        if path is None:
            return None
        try:
            return read_remembered(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.", returncode=2) from error
        except (RuleBroken, UnicodeDecodeError) as error:
            raise CommandError(f"{path}: {error} Delete it to verify everything again.", returncode=2) from error

    def _remember(self, path: Path, reached: Verified) -> None:
        """Replace the file in one step."""
        beside = path.with_name(f"{path.name}.{os.getpid()}")
        try:
            beside.write_text(remembered(reached), encoding="utf-8")
            beside.replace(path)
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.", returncode=2) from error
