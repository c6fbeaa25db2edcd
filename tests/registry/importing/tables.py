"""Tables for tests: made as CSV or XLSX from rows, and taken in with the columns that bear a field's name."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any

from django.apps import apps
from openpyxl import Workbook

from registry.importing.plan import Plan, proposed
from registry.jobs import carry_out
from registry.models import ImportRun, TableImport
from registry.selectors.imports import findings_pages, look_of, table_kind_of
from registry.services import imports

PATIENTS = ("Hospital number", "Family name", "Given name", "Birth date", "Sex", "Cause of heart failure")
VISITS = ("Hospital number", "When", "Date of assessment", "NYHA class", "LVEF (%)", "LVEDV (mL)", "LVESV (mL)")


class Held:
    """Content in memory, handed over as an upload."""

    def __init__(self, content: bytes) -> None:
        self.content = content

    def chunks(self) -> Iterator[bytes]:
        yield self.content


def as_csv(rows: Sequence[Sequence[Any]], separator: str = ",") -> bytes:
    out = io.StringIO()
    csv.writer(out, delimiter=separator).writerows([["" if cell is None else cell for cell in row] for row in rows])
    return out.getvalue().encode()


def workbook(rows: Sequence[Sequence[Any]], title: str = "table") -> Workbook:
    book = Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(list(row))
    return book


def saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def as_xlsx(rows: Sequence[Sequence[Any]]) -> bytes:
    return saved(workbook(rows))


FORMATS = {"csv": as_csv, "xlsx": as_xlsx}


def begin(
    by: Any, centre: Any, content: bytes, kind: str = "patients", name: str = "table", **options: Any
) -> TableImport:
    return imports.begin_import(by=by, centre=centre, kind=kind, upload=Held(content), original_name=name, **options)


def decided(by: Any, run: TableImport, **plan: Any) -> TableImport:
    columns = proposed(table_kind_of(run), look_of(run)["header"]) | plan.pop("columns", {})
    return imports.decide_columns(by=by, run=run, plan=Plan(columns=columns, **plan))


def checked(by: Any, run: TableImport) -> TableImport:
    run = imports.start_check(by=by, run=run, queue=False)
    carried_out(run)
    return run


def carried_out(run: TableImport) -> ImportRun:
    """Carry out what the import waits for, and return the run."""
    work = run.runs.latest("id")
    carry_out("import", work.pk)
    work.refresh_from_db()
    run.refresh_from_db()
    return work


def loaded(by: Any, run: TableImport, **options: Any) -> TableImport:
    run = imports.start_load(by=by, run=run, queue=False, **options)
    carried_out(run)
    return run


def findings(run: TableImport) -> list[tuple[int, str, str]]:
    """Return row, column and sentence of everything found."""
    return [(row, column, said) for page in findings_pages(run) for row, _, column, _, said in page]


def counts() -> dict[str, int]:
    """Return the number of rows in every table but those of the import itself, and of its lines in the trail."""
    from registry.models import Change

    own = {"registry.tableimport", "registry.importpiece", "registry.importrun"}
    found = {
        model._meta.label_lower: model._default_manager.count()
        for model in apps.get_models()
        if model._meta.label_lower not in own
    }
    found["registry.change"] = Change.objects.exclude(record_type="registry.tableimport").count()
    return found


def people(count: int = 3, first: int = 0) -> list[tuple[str, ...]]:
    """Return rows of invented patients, numbered from ``first``."""
    return [
        (f"N-{n:04d}", f" Adler{n} ", "Eva", "1950-03-27", ("Female", "male")[n % 2], "ISCHAEMIC")
        for n in range(first, first + count)
    ]


def take_in(by: Any, centre: Any, content: bytes, kind: str = "patients", **plan: Any) -> TableImport:
    """Take a table in from the upload to the last row."""
    return loaded(by, checked(by, decided(by, begin(by, centre, content, kind), **plan)))
