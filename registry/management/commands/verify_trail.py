"""Check the change trail."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from registry.management.sentence import SentenceCommand
from registry.models import Change
from registry.trail.verify import faults


class Command(SentenceCommand):
    """Walk every centre's chain and name each altered, missing or reordered link."""

    help = "Check the change trail of every centre; exit code 1 when a link is broken."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the faults, or how many links hold."""
        found = list(faults())
        for fault in found:
            self.stderr.write(fault)
        if found:
            raise CommandError(f"{len(found)} fault(s) in the change trail.", returncode=1)
        self.stdout.write(f"{Change.objects.count()} links, all in order.")
