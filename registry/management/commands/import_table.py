"""Import a table of patients, sessions or follow-ups."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.described.kind import tables
from registry.described.words import folded
from registry.errors import AccessDenied, RuleBroken
from registry.importing.plan import MISSING, Plan, proposed
from registry.jobs import carry_out
from registry.management.sentence import SentenceCommand
from registry.models import Centre, RunState, TableImport, User
from registry.selectors.imports import findings_pages, look_of
from registry.services import imports

SHOWN = 20


class _File:
    """A file on disk, handed over as an upload."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def chunks(self) -> Iterator[bytes]:
        with self._path.open("rb") as stream:
            while chunk := stream.read(1 << 20):
                yield chunk


class Command(SentenceCommand):
    """Check a table and load all of it, or nothing."""

    help = "Import a CSV or XLSX table. A column is used only if --map or --map-by-name names it."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the arguments."""
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument("--kind", required=True, metavar="KIND", help="one of: " + ", ".join(tables()))
        parser.add_argument("--centre", required=True, metavar="CODE", help="the centre's code")
        parser.add_argument("--by", required=True, metavar="USERNAME", help="who imports: a clinical lead")
        for name, shape, what in (
            ("map", "FIELD=COLUMN", "which column fills a field"),
            ("same", "FIELD=WORD", "the same value for every row"),
            ("unit", "FIELD=UNIT", "the unit a column is in"),
            (
                "word",
                "FIELD:WORD=VALUE",
                "the meaning of a word in the file; 'missing' and 'none' (a mistake) are allowed",
            ),
        ):
            parser.add_argument(f"--{name}", action="append", default=[], metavar=shape, help=what)
        parser.add_argument("--map-by-name", action="store_true", help="also use columns that have the name of a field")
        parser.add_argument("--missing", action="append", default=[], metavar="WORD", help="a word that means missing")
        parser.add_argument("--date-order", default="", metavar="dmy|mdy", help="how dates are written")
        parser.add_argument(
            "--serial", default="", metavar="1900|1904|none", help="what a number in place of a date means"
        )
        parser.add_argument("--decimal", default="", metavar="SIGN", help="a point or a comma")
        parser.add_argument("--sheet", default="", help="the sheet, if a workbook has several")
        parser.add_argument("--encoding", default="utf-8", help="utf-8 or windows-1252")
        parser.add_argument("--separator", default="", help="comma, semicolon or tab, if it cannot be detected")
        parser.add_argument("--leave-out-stored", action="store_true", help="skip rows that are already stored")
        parser.add_argument("--confirm-unusual", action="store_true", help="load even if some values are unusual")
        parser.add_argument("--dry-run", action="store_true", help="list the problems and load nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        """Import, or say in a sentence why not."""
        try:
            self._import(**options)
        except (RuleBroken, AccessDenied) as error:
            raise CommandError(str(error), returncode=2) from None
        except OSError as error:
            raise CommandError(f"The file {options['file']} cannot be read: {error.strerror}.", returncode=2) from None

    def _import(self, *, file: Path, kind: str, centre: str, by: str, dry_run: bool, **options: Any) -> None:
        member = User.objects.filter(username=by, is_active=True).first()
        place = Centre.objects.filter(code=centre).first()
        if place is None:
            raise CommandError(f"There is no centre '{centre}'.", returncode=2)
        if member is None:
            raise CommandError(f"There is no active user '{by}'.", returncode=2)
        run = imports.begin_import(
            by=member,
            centre=place,
            kind=kind,
            upload=_File(file),
            original_name=file.name,
            encoding=options["encoding"],
            separator=options["separator"],
            sheet=options["sheet"],
        )
        if run.sheet != options["sheet"] and options["sheet"]:
            run = imports.choose_sheet(by=member, run=run, sheet=options["sheet"])
        if not run.sheet and len(sheets := look_of(run)["sheets"]) > 1:
            raise CommandError(
                f"The workbook has several sheets; choose one with --sheet: {', '.join(sheets)}.", returncode=2
            )
        run = imports.decide_columns(by=member, run=run, plan=self._plan(run, options))
        run = self._wait(imports.start_check(by=member, run=run, queue=False))
        self._report(run)
        if run.problems:
            raise CommandError(f"{run.problems} problems in {run.rows_read} rows; nothing was written.", returncode=2)
        if dry_run:
            self.stdout.write(f"{run.rows_read} rows can be loaded; nothing was written.")
            return
        run = imports.start_load(by=member, run=run, confirmed=options["confirm_unusual"], queue=False)
        run = self._wait(run)
        self.stdout.write(f"{run.records_made} rows loaded into {place.name}.")

    def _plan(self, run: TableImport, options: dict[str, Any]) -> Plan:
        header = look_of(run)["header"]
        columns = proposed(tables()[run.kind], header) if options["map_by_name"] else {}
        columns |= dict(_pairs(options["map"], "--map FIELD=COLUMN"))
        words: dict[str, dict[str, str]] = {}
        for place, value in _pairs(options["word"], "--word FIELD:WORD=VALUE"):
            name, _, word = place.partition(":")
            target = next((one for one in tables()[run.kind].targets() if one.name == name), None)
            if target is None or value not in {key for key, _ in target.options} | {MISSING, "none"}:
                raise RuleBroken(
                    f"--word {place}={value}: there is no such field, or '{value}' is not one of its values."
                )
            words.setdefault(name, {})[folded(word)] = value
        units = dict(_pairs(options["unit"], "--unit FIELD=UNIT"))
        for name, unit in units.items():
            target = next((one for one in tables()[run.kind].targets() if one.name == name), None)
            if target is None or unit not in target.units:
                known = ", ".join(target.units) if target else ""
                raise RuleBroken(f"--unit {name}={unit}: the units of this field are: {known or 'none'}.")
        for name, allowed in (
            ("date_order", ("dmy", "mdy")),
            ("serial", ("1900", "1904", "none")),
            ("decimal", (".", ",")),
        ):
            if options[name] and options[name] not in allowed:
                raise RuleBroken(f"--{name.replace('_', '-')} is one of {' '.join(allowed)}.")
        return replace(
            Plan(columns, dict(_pairs(options["same"], "--same FIELD=WORD")), units, words),
            date_order=options["date_order"],
            serial=options["serial"],
            decimal=options["decimal"],
            missing=tuple(options["missing"]),
            leave_out_stored=options["leave_out_stored"],
        )

    def _wait(self, run: TableImport) -> TableImport:
        """Do the work here."""
        work = run.runs.latest("id")
        while work.busy:
            # When a worker was quicker, or it is to be tried again, it is waited for.
            if not carry_out("import", work.pk):
                time.sleep(1)
            work.refresh_from_db()
        if work.state != RunState.DONE:
            raise RuleBroken(work.failure or "The import was cancelled.")
        run.refresh_from_db()
        return run

    def _report(self, run: TableImport) -> None:
        found: Iterable[list[Any]] = (one for page in findings_pages(run) for one in page)
        for count, (row, letters, column, gravity, sentence) in enumerate(found):
            if count == SHOWN:
                self.stderr.write(
                    f"… {run.problems + run.unusual - SHOWN} more; the whole list is on the import's page."
                )
                break
            self.stderr.write(f"row {row}, {f'column {letters} ' if letters else ''}({column}): {gravity}: {sentence}")


def _pairs(texts: Iterable[str], shape: str) -> Iterator[tuple[str, str]]:
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise RuleBroken(f"'{text}' is not in the form {shape}.")
        yield name.strip(), value.strip()
