"""Export a de-identified cohort."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError, CommandParser

from analytics.services.cohort_export import export_cohort
from registry.errors import AccessDenied, RuleBroken
from registry.management.sentence import SentenceCommand
from registry.models import Centre, User
from registry.numbers.outside import NotANumber, shown, whole_number


def _year(text: str) -> int:
    try:
        return whole_number(text, 1900, 9999)
    except NotANumber:
        raise argparse.ArgumentTypeError(f"'{shown(text)}' is not a year; write it as 2026.") from None


class Command(SentenceCommand):
    """Write the cohort of a centre into a new folder."""

    help = "Export the patients of a centre who consented to research, de-identified, with a data dictionary."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the arguments."""
        parser.add_argument("--centre", required=True, metavar="CODE", help="the centre's code")
        parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="a new or empty folder")
        parser.add_argument(
            "--by", required=True, metavar="USERNAME", help="who exports: a clinical lead or researcher"
        )
        parser.add_argument("--year", type=_year, metavar="YEAR", help="only sessions of this year")
        parser.add_argument(
            "--seed-file",
            type=Path,
            metavar="FILE",
            help="file with the export key, for this project's own pseudonyms (otherwise TRIBUTARY_EXPORT_KEY)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Export, or say in a sentence why not."""
        centre = Centre.objects.filter(code=options["centre"]).first()
        by = User.objects.filter(username=options["by"], is_active=True).first()
        if centre is None:
            raise CommandError(f"There is no centre '{options['centre']}'.", returncode=2)
        if by is None:
            raise CommandError(f"There is no active user '{options['by']}'.", returncode=2)
        key = self._key(options["seed_file"])
        try:
            export = export_cohort(by=by, centre=centre, out=options["out"], key=key, year=options["year"])
        except (RuleBroken, AccessDenied) as error:
            raise CommandError(str(error), returncode=2) from None
        self.stdout.write(
            f"{export.patients} patients, {export.sessions} sessions in {options['out']}; "
            f"manifest {export.manifest_sha256}"
        )

    def _key(self, path: Path | None) -> str:
        if path is None:
            return settings.EXPORT_KEY
        try:
            return path.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError):
            raise CommandError(f"The key file {path} cannot be read.", returncode=2) from None
