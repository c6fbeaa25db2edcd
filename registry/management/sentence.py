"""What every command of ours shares: wrong input is answered by one sentence and exit code 2."""

from __future__ import annotations

from typing import Any, NoReturn

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import OperationalError, ProgrammingError


class SentenceCommand(BaseCommand):
    """A command whose wrong options end like any other wrong input: one sentence on standard error, exit code 2."""

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        """Build the parser without the usage text that would stand above the sentence."""
        parser = super().create_parser(prog_name, subcommand, **kwargs)
        if parser.called_from_command_line:

            def refuse(message: str) -> NoReturn:
                parser.exit(2, f"CommandError: {message[:1].upper()}{message[1:]}.\n")

            parser.error = refuse  # type: ignore[method-assign]  # argparse has no other way in
        return parser

    def execute(self, *args: Any, **options: Any) -> str | None:
        """Run; a database that is not there or not set up is said in a sentence too."""
        try:
            return super().execute(*args, **options)
        except (OperationalError, ProgrammingError) as error:
            what = str(error).strip().split("\n")[0]
            raise CommandError(
                f"The database cannot be used ({what}); is it running, and has 'manage.py migrate' been run?",
                returncode=2,
            ) from error
