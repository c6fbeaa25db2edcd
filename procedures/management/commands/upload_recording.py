"""Store a file of signals with a session, on the server itself."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from procedures.models import Session
from procedures.recordings import RecordingError, parse_mapping
from procedures.selectors.sessions import sessions_for
from procedures.services.intake import SentFile
from procedures.services.recordings import store_recording
from procedures.services.room import require_room
from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.management.sentence import SentenceCommand
from registry.models import User


class Command(SentenceCommand):
    """Take in one file as the upload page does, in a process of its own."""

    help = (
        "Store a recording (EDF, CSV, zipped WFDB, DICOM waveform) with a session. The same file again changes nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the options."""
        parser.add_argument("file")
        parser.add_argument("--session", required=True, help="code of the session")
        parser.add_argument("--by", required=True, help="user name of the person who uploads")
        parser.add_argument("--started-at", help="time of the first sample, such as 2024-05-06T10:00:00")
        parser.add_argument("--map", action="append", default=[], metavar="ROLE=LABEL", help="a channel by hand")
        parser.add_argument("--reason", default="", help="of the amendment, where the session is signed")

    def handle(self, *args: Any, **options: Any) -> None:
        """Check who and where, then store."""
        path = Path(options["file"])
        if not path.is_file():
            raise CommandError(f"There is no file {path}.", returncode=2)
        by = User.objects.filter(username=options["by"], is_active=True).first()
        if by is None:
            raise CommandError(f"There is no user {options['by']}.", returncode=2)
        found = sessions_for(by).filter(code=options["session"])
        if len(found) != 1:
            raise CommandError(
                f"{options['by']} sees {len(found)} sessions with the code {options['session']}.", returncode=2
            )
        try:
            require_room(path.stat().st_size)
            recording = store_recording(
                by=by,
                session=Session.objects.get(pk=found[0].pk),
                upload=SentFile(path),
                original_name=path.name,
                started_at=_moment(options["started_at"]),
                mapping=parse_mapping(options["map"]),
                reason=options["reason"],
            )
        except (RuleBroken, RecordingError, AccessDenied, Conflict) as error:
            raise CommandError(str(error), returncode=2) from None
        self.stdout.write(f"{recording.original_name} is stored with {options['session']}: {recording.sha256}")


def _moment(text: str | None) -> dt.datetime | None:
    if text is None:
        return None
    try:
        found = parse_datetime(text)
    except ValueError:
        found = None
    if found is None:
        raise CommandError(f"'{text}' is no time; write it like 2024-05-06T10:00:00.", returncode=2)
    return found if timezone.is_aware(found) else timezone.make_aware(found)
