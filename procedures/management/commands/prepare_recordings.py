"""Make the stored form of recordings, for instance after a restore or when a store of signals was lost."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from procedures.models import Recording
from procedures.recordings import RecordingError
from procedures.selectors.signals import opened
from procedures.services.stored_signals import prepare_again
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Ask for the stored form of every recording that has none that can be read."""

    help = "Make the stored form of recordings from their original files, where it is missing or damaged."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the options."""
        parser.add_argument("--all", action="store_true", help="make every one again")

    def handle(self, *args: Any, **options: Any) -> None:
        """Look through all recordings."""
        count = 0
        for recording in Recording.objects.order_by("pk").iterator():
            if options["all"] or not _stands(recording):
                prepare_again(recording)
                count += 1
        self.stdout.write(f"{count} recordings are prepared again.")


def _stands(recording: Recording) -> bool:
    form = getattr(recording, "signals", None)
    if form is None or not form.place:
        return bool(form and form.busy)
    try:
        opened(recording).read(recording.axis_start_s, recording.axis_start_s + 1.0)
    except (RecordingError, OSError):
        return False
    return True
