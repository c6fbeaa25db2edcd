"""List what happened in a time window, for the report of a breach."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from registry.management.sentence import SentenceCommand
from registry.models import Centre
from registry.selectors.breach import breach_material


class Command(SentenceCommand):
    """Collect material for the report of a breach from access log, change trail and the service's log."""

    help = "List accounts, addresses, records and patients (by code) of a time window, for the report of a breach."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the arguments."""
        moment = "such as 2026-03-01T08:00+01:00; without a zone, the service's own"
        parser.add_argument("--from", dest="start", required=True, metavar="TIME", help=f"first moment, {moment}")
        parser.add_argument("--to", dest="end", required=True, metavar="TIME", help="the first moment after it")
        parser.add_argument("--centre", metavar="CODE", help="only this centre")
        parser.add_argument("--log", type=Path, metavar="FILE", help="the service's log as JSON lines, for addresses")
        parser.add_argument("--json", action="store_true", help="print JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        """Collect and print."""
        start, end = _moment(options["start"]), _moment(options["end"])
        if start >= end:
            raise CommandError("The window ends before it begins. Give an earlier --from.", returncode=2)
        centre = None
        if options["centre"]:
            centre = Centre.objects.filter(code=options["centre"]).first()
            if centre is None:
                raise CommandError(f"There is no centre '{options['centre']}'.", returncode=2)
        found = breach_material(start, end, centre=centre, log=_lines(options["log"]))
        self.stdout.write(json.dumps(found, indent=1, ensure_ascii=False) if options["json"] else _text(found))


def _moment(text: str) -> dt.datetime:
    try:
        moment = parse_datetime(text)
    except ValueError:
        moment = None
    if moment is None:
        raise CommandError(f"'{text}' is no time. Write it like 2026-03-01T08:00.", returncode=2)
    return timezone.make_aware(moment) if timezone.is_naive(moment) else moment


def _lines(path: Path | None) -> Iterator[str]:
    if path is None:
        return
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            yield from file
    except OSError as error:
        raise CommandError(f"The log {path} cannot be read ({error.strerror}).", returncode=2) from error


def _text(found: dict[str, Any]) -> str:
    patients, names = found["patients"], found["accounts"]
    lines = [f"From {found['from']} to {found['to']}, {found['centre'] or 'all centres'}"]
    lines += ["", f"Patients concerned: {patients['count']}"]
    lines.append(f"  whose identifiers were seen: {patients['identifiers_seen']}")
    lines.append(f"  whose records were changed or copied: {patients['records_changed_or_copied']}")
    lines.append(f"  erased since: {patients['erased_since']}")
    lines.append(f"  codes: {', '.join(patients['codes']) or 'none'}")
    lines += ["", "Identifiers seen (account, page, looks, patients)"]
    lines += [f"  {_who(row, names)}, {row['page']}, {row['looks']}, {row['patients']}" for row in found["looks"]]
    lines += ["", "Records changed (account, kind, act, number)"]
    lines += [f"  {_who(row, names)}, {row['record']}, {row['act']}, {row['links']}" for row in found["changes"]]
    lines += ["", "Cohorts exported (account, time, patients, sessions)"]
    lines += [f"  {_who(row, names)}, {row['at']}, {row['patients']}, {row['sessions']}" for row in found["exports"]]
    if found["exports_not_readable"]:
        lines.append(f"  exports that cannot be read: {found['exports_not_readable']}")
    lines += ["", "Access (account, address, event, route, number)"]
    lines += [
        f"  {_who(row, names)}, {row['address']}, {row['event']}, {row['route']}, {row['lines']}"
        for row in found["access"]
    ]
    return "\n".join(lines)


def _who(row: dict[str, Any], names: dict[str, str]) -> str:
    return names.get(row["account"], row["account"])
