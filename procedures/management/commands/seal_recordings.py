"""Encrypt recordings that were stored in the clear."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from procedures.services.sealing import seal_what_lies_open
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Encrypt what lies in the clear; can be interrupted and restarted, and people work meanwhile."""

    help = (
        "Encrypt original files and stored signals that were stored before recordings were encrypted, each for its "
        "patient. Can be interrupted and restarted. Unfinished uploads from before are removed."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        """Encrypt, and say how far it is."""

        def tell(count: int, whole: int) -> None:
            if count == whole or count % max(1, whole // 20) == 0:
                self.stdout.write(f"{count} of {whole}")

        done = seal_what_lies_open(tell)
        self.stdout.write(
            f"{done.originals} original files and {done.forms} stored signals encrypted, {done.unfinished} unfinished "
            "uploads removed."
        )
        if done.failed:
            raise CommandError(
                f"{done.failed} could not be encrypted and lie as before: missing, damaged, or no room. Mend that, "
                "then run this again.",
                returncode=2,
            )
