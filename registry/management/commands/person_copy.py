"""Make a patient's copy of their own data."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.errors import AccessDenied, RuleBroken
from registry.management.named import named_user_and_patient
from registry.management.sentence import SentenceCommand
from registry.services.person_copy import make_person_copy


class Command(SentenceCommand):
    """Write everything that is stored about a patient into one ZIP file."""

    help = "Write a patient's copy of their data: a page to read, tables with a data dictionary, recordings if asked."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the arguments."""
        parser.add_argument("patient", metavar="CODE", help="the patient's code")
        parser.add_argument("file", type=Path, metavar="FILE", help="the ZIP file to write; it must not be there yet")
        parser.add_argument("--centre", required=True, metavar="CODE", help="the centre's code")
        parser.add_argument(
            "--by", required=True, metavar="USERNAME", help="who makes it: a clinical lead of the centre"
        )
        parser.add_argument("--recordings", action="store_true", help="add the original recordings")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write, and say what is in it."""
        by, patient = named_user_and_patient(options)
        into: Path = options["file"]
        try:
            copied = make_person_copy(by=by, patient=patient, into=into, recordings=options["recordings"])
        except (RuleBroken, AccessDenied) as error:
            raise CommandError(str(error), returncode=2) from None
        except OSError as error:
            message = f"The copy could not be written ({error.strerror or error}). No file was left behind."
            raise CommandError(message, returncode=2) from error
        self.stdout.write(
            f"{into}: {copied.records} records, {copied.files} recordings, SHA-256 {copied.sha256}. "
            "Free texts may name other people: read them before you hand the copy over, and delete the file afterwards."
        )
