"""Erase a patient."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.errors import AccessDenied, RuleBroken
from registry.management.named import named_user_and_patient
from registry.management.sentence import SentenceCommand
from registry.services.compacting import compact
from registry.services.erasure import ErasureReason, erase_patient


class Command(SentenceCommand):
    """Remove everything that tells of a patient; the change trail stays verifiable."""

    help = "Erase a patient from database and files. It cannot be undone. Backups made before still hold the patient."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the arguments."""
        parser.add_argument("patient", metavar="CODE", help="the patient's code")
        parser.add_argument("--centre", required=True, metavar="CODE", help="the centre's code")
        parser.add_argument("--by", required=True, metavar="USERNAME", help="who erases: a clinical lead of the centre")
        reasons = "; ".join(f"{one.value}: {one.label}" for one in ErasureReason)
        parser.add_argument("--reason", required=True, metavar="REASON", help=reasons)
        parser.add_argument("--code-again", required=True, metavar="CODE", help="the patient's code, typed once more")
        parser.add_argument(
            "--leave-space",
            action="store_true",
            help="do not rewrite the tables; until that is done, deleted rows stay in the database's files",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Erase, and say what went."""
        by, patient = named_user_and_patient(options)
        try:
            erased = erase_patient(by=by, patient=patient, reason=options["reason"], code_again=options["code_again"])
        except (RuleBroken, AccessDenied) as error:
            raise CommandError(str(error), returncode=2) from None
        except OSError as error:
            message = f"The patient is erased from the database, but a file could not be removed ({error.strerror})."
            raise CommandError(f"{message} Run apply_erasures once it can be.", returncode=1) from error
        if not options["leave_space"]:
            compact()
        self.stdout.write(
            f"Erased: {sum(erased.rows.values())} rows, {erased.files} files, {erased.imports} imports emptied, "
            f"{erased.links} links blanked. Backups and exports made before still hold the patient."
        )
