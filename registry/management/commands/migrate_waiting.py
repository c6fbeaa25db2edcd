"""Apply migrations to a service under load."""

from __future__ import annotations

import time
from typing import Any

from django.core.management import call_command
from django.core.management.base import CommandError, CommandParser
from django.db import OperationalError, connection

from registry.management.sentence import SentenceCommand

PAUSE_S = 5.0
_TAKEN = "55P03"  # PostgreSQL: lock_not_available


class Command(SentenceCommand):
    """Migrate with a short patience for locks, several times.

    A change of a table waits for those who use it, and everybody who comes later waits behind it. So it gives up after
    a moment, lets them pass, and tries again; each migration is one transaction, so nothing is left half-done.
    """

    help = "Apply migrations while people work: a lock that is not free is given up and tried for again."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take patience and tries."""
        parser.add_argument("--lock-timeout", type=int, default=3000, metavar="MS", help="patience for a lock (3000)")
        parser.add_argument("--tries", type=int, default=20, help="how often (20)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Migrate."""
        if options["lock_timeout"] < 1 or options["tries"] < 1:
            raise CommandError("--lock-timeout and --tries must be at least 1.", returncode=2)
        for left in reversed(range(options["tries"])):
            try:
                if connection.vendor == "postgresql":
                    with connection.cursor() as cursor:
                        cursor.execute("SELECT set_config('lock_timeout', %s, false)", [f"{options['lock_timeout']}ms"])
                call_command("migrate", interactive=False, verbosity=options["verbosity"], stdout=self.stdout)
                return
            except OperationalError as error:
                if getattr(error.__cause__, "sqlstate", "") != _TAKEN:
                    raise
                connection.close()
                self.stderr.write(f"A table is in use; {left} tries are left.")
                if left:
                    time.sleep(PAUSE_S)
        raise CommandError("The tables stayed in use. Nothing was left half-done; try again later.", returncode=2)
