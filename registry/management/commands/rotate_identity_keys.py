"""Encrypt all identifiers again with the newest key."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.errors import RuleBroken
from registry.management.sentence import SentenceCommand
from registry.services.key_rotation import rotate


class Command(SentenceCommand):
    """Encrypt and hash again everything made with an older key; can be interrupted and restarted."""

    help = (
        "Re-encrypt all identifiers with the first of TRIBUTARY_IDENTITY_KEYS; then the other keys can be "
        "removed. Can be interrupted and restarted."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the size of a batch."""
        parser.add_argument("--batch", type=int, default=500, help="rows in each transaction (500)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Rotate, and say how many rows there were."""
        if options["batch"] < 1:
            raise CommandError("--batch must be at least 1.", returncode=2)
        try:
            done = rotate(batch=options["batch"])
        except RuleBroken as error:
            raise CommandError(str(error), returncode=2) from error
        self.stdout.write(
            f"{done.renewed} rows re-encrypted, {done.current} already used the first key. Only the first key "
            "is needed from now on."
        )
