"""Write the invented demo scenario."""

from __future__ import annotations

import time
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError

from fixtures.demo.loading import DEMO_PASSWORD, load
from fixtures.demo.scenario import scenario
from registry.management.sentence import SentenceCommand
from registry.models import Centre


class Command(SentenceCommand):
    """Load the demo once; a second call says that it is there."""

    help = "Load the invented demo centre: patients, sessions, and one worked session with its recording."

    def handle(self, *args: Any, **options: Any) -> None:
        """Load, unless this is a production service."""
        if settings.PRODUCTION:
            raise CommandError("The demo is not loaded into a production service.", returncode=2)
        told = scenario()
        if Centre.objects.filter(code=told.centre.code).exists():
            self.stdout.write(f"The demo centre {told.centre.name} is loaded already.")
        else:
            started = time.perf_counter()
            loaded = load(told, tell=lambda line: self.stdout.write(f"  {line}"))
            counts = f"{len(loaded.patients)} patients, {len(loaded.sessions)} sessions"
            self.stdout.write(f"{told.centre.name}: {counts} in {time.perf_counter() - started:.1f} s.")
        self.stdout.write(f"Worked session: {told.worked_session}")
        self.stdout.write(f"Log-ins (password {DEMO_PASSWORD}):")
        for member in told.members:
            self.stdout.write(f"  {member.username:<12} {member.role.replace('_', ' ')}")
