"""``manage.py compare_sites``: the comparison of a session's sites on the terminal, or as JSON."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

from django.core.management.base import CommandError, CommandParser

from procedures.metrics import BY_KEY
from procedures.models import Session
from procedures.selectors.comparison import SessionComparison, compare_session
from procedures.selectors.comparison_export import as_values
from procedures.selectors.comparison_table import as_table
from registry.caution import CAUTION
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Print sites against baseline. No right is checked: the user can read the database anyway."""

    help = "Compare a session's sites with its baseline in one metric: change, interval, electrical limits, advice."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the session, the metric and the output format."""
        parser.add_argument("session", metavar="SESSION", help="code of the session, or its UUID")
        parser.add_argument("--metric", metavar="KEY", help="a metric's key, for instance dpdt_max_mmhg_per_s")
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the comparison; a session or metric that is not there is an error."""
        session = _session(options["session"])
        compared = compare_session(session, options["metric"])
        _check_metric(options["metric"], compared)
        if options["json"]:
            self.stdout.write(json.dumps(as_values(compared, CAUTION), allow_nan=False, ensure_ascii=False))
        else:
            self.stdout.write(as_table(compared, CAUTION))


def _session(named: str) -> Session:
    sessions = Session.objects.select_related("centre")
    try:
        found = list(sessions.filter(pk=UUID(named)))
    except ValueError:
        found = list(sessions.filter(code=named)[:2])
    if not found:
        raise CommandError(f"There is no session {named!r}.", returncode=2)
    if len(found) > 1:
        raise CommandError(
            f"More than one centre has a session {named!r}; give its UUID, which stands in the page's address.",
            returncode=2,
        )
    return found[0]


def _check_metric(asked: str | None, compared: SessionComparison) -> None:
    if asked is None or (compared.metric and compared.metric.key == asked):
        return
    measured = ", ".join(metric.key for metric in compared.metrics) or "none"
    if asked not in BY_KEY:
        raise CommandError(f"{asked!r} is not a metric; measured in this session: {measured}.", returncode=2)
    raise CommandError(
        f"{asked} was not measured in this session or is not ranked; measured: {measured}.", returncode=2
    )
