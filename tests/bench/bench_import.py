"""How fast a table of 100,000 rows is taken in, beside a plain ``bulk_create`` of the same rows in the same run.

    .venv/bin/python tests/bench/bench_import.py [ROWS] [csv|xlsx]

Times are of the clock, with this process's processor time in brackets, so that a busy machine shows as such.
Runs in a database of its own that is dropped afterwards: SQLite, or with ``DATABASE_URL`` PostgreSQL.
"""

# ruff: noqa: E402 - the settings must be chosen before anything of Django is imported

from __future__ import annotations

import datetime as dt
import io
import os
import resource
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"

import django

django.setup()

from django.conf import settings
from django.db import connection
from django.test.utils import get_runner, setup_test_environment

from registry.importing.plan import Plan, proposed
from registry.jobs import carry_out
from registry.models import Assessment, Change, Patient, PatientIdentity, Role, TableImport
from registry.models.encrypted import digest
from registry.selectors.imports import findings_page, look_of, table_kind_of
from registry.services import imports
from tests import factories as make


class Held:
    """Content in memory, handed over as an upload."""

    def __init__(self, content: bytes) -> None:
        self.content = content

    def chunks(self) -> Iterator[bytes]:
        yield self.content


def patients_table(rows: int) -> list[list[Any]]:
    head = ["Hospital number", "Family name", "Given name", "Birth date", "Sex", "Cause of heart failure"]
    born = dt.date(1930, 1, 1)
    return [head] + [
        [
            f"N-{number:07d}",
            f"Family{number}",
            f"Given{number}",
            (born + dt.timedelta(days=number % 15000)).isoformat(),
            ("female", "male")[number % 2],
            ("ischaemic", "non_ischaemic", "unknown")[number % 3],
        ]
        for number in range(rows)
    ]


def follow_up_table(rows: int) -> list[list[Any]]:
    head = ["Hospital number", "When", "Date of assessment", "NYHA class", "QRS duration (ms)", "LVEF (%)"]
    head += ["LVEDV (mL)", "LVESV (mL)", "Creatinine (µmol/L)", "Systolic pressure (mmHg)"]
    day = dt.date(2012, 1, 1)
    return [head] + [
        [
            f"N-{number % max(rows // 10, 1):07d}",
            "follow_up",
            (day + dt.timedelta(days=number // max(rows // 10, 1) * 180)).isoformat(),
            str(1 + number % 4),
            90 + number % 120,
            15 + number % 50,
            150 + number % 200,
            60 + number % 80,
            60 + number % 200,
            90 + number % 70,
        ]
        for number in range(rows)
    ]


def as_csv(table: list[list[Any]]) -> bytes:
    return "\r\n".join(",".join(map(str, row)) for row in table).encode()


def as_xlsx(table: list[list[Any]]) -> bytes:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet("table")
    for row in table:
        sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


class Took(NamedTuple):
    """Seconds of the clock and of this process's processor."""

    clock: float
    processor: float

    def __str__(self) -> str:
        return f"{self.clock:6.1f} s ({self.processor:5.1f})"


def timed(work: Callable[[], Any]) -> tuple[Took, Any]:
    clock, processor = time.perf_counter(), time.process_time()
    done = work()
    return Took(time.perf_counter() - clock, time.process_time() - processor), done


def check(kind: str, content: bytes, name: str, centre: Any, by: Any) -> TableImport:
    run = imports.begin_import(by=by, centre=centre, kind=kind, upload=Held(content), original_name=name)
    columns = proposed(table_kind_of(run), look_of(run)["header"])
    run = imports.decide_columns(by=by, run=run, plan=Plan(columns))
    run = imports.start_check(by=by, run=run, queue=False)
    carry_out("import", run.runs.latest("id").pk)
    run.refresh_from_db()
    assert not run.problems, findings_page(run, 1)[:3]
    return run


def take_in(kind: str, content: bytes, name: str, centre: Any, by: Any) -> tuple[Took, Took, int]:
    """Return how long the dry run took with all before it, how long loading took, and the number of rows."""
    checked, run = timed(lambda: check(kind, content, name, centre, by))
    run = imports.start_load(by=by, run=run, queue=False)
    loading, _ = timed(lambda: carry_out("import", run.runs.latest("id").pk))
    run = TableImport.objects.get(pk=run.pk)
    assert run.state == "loaded", run.failure
    return checked, loading, run.records_made


def floor_patients(rows: int, centre: Any) -> Took:
    """Plain ``bulk_create`` of the same patients and identities, encryption included, no check and no trail."""
    table = patients_table(rows)[1:]

    def write() -> None:
        made = [Patient(centre=centre, code=f"F-{n:06d}", sex=r[4], aetiology=r[5]) for n, r in enumerate(table)]
        Patient.objects.bulk_create(made, 2000)
        PatientIdentity.objects.bulk_create(
            [
                PatientIdentity(
                    patient=patient,
                    family_name=row[1],
                    given_name=row[2],
                    birth_date=row[3],
                    local_identifier=row[0],
                    local_identifier_digest=digest(row[0]),
                )
                for patient, row in zip(made, table, strict=True)
            ],
            2000,
        )

    return timed(write)[0]


def floor_follow_ups(rows: int, centre: Any) -> Took:
    table = follow_up_table(rows)[1:]
    keys = list(
        Patient.objects.filter(centre=centre).order_by("code").values_list("pk", flat=True)[: max(rows // 10, 1)]
    )

    def write() -> None:
        Assessment.objects.bulk_create(
            [
                Assessment(
                    patient_id=keys[n % len(keys)],
                    kind=row[1],
                    assessed_on=dt.date.fromisoformat(row[2]),
                    nyha_class=int(row[3]),
                    qrs_duration_ms=row[4],
                    lvef_percent=row[5],
                    lvedv_ml=row[6],
                    lvesv_ml=row[7],
                    creatinine_umol_per_l=row[8],
                    systolic_mmhg=row[9],
                )
                for n, row in enumerate(table)
            ],
            2000,
        )

    return timed(write)[0]


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    form = sys.argv[2] if len(sys.argv) > 2 else "csv"
    written = as_csv if form == "csv" else as_xlsx
    setup_test_environment()
    runner = get_runner(settings)(verbosity=0, interactive=False)
    old = runner.setup_databases()
    try:
        centre = make.make_centre()
        by = make.make_user(Role.CLINICAL_LEAD, centre)
        print(f"{connection.vendor}, {rows} rows, {form}")
        for kind, table, floor in (
            ("patients", patients_table, floor_patients),
            ("assessments", follow_up_table, floor_follow_ups),
        ):
            content = written(table(rows))
            checked, loading, made = take_in(kind, content, f"{kind}.{form}", centre, by)
            assert made == rows
            elsewhere = make.make_centre()
            least = floor(rows, elsewhere if kind == "patients" else centre)
            total = Took(checked.clock + loading.clock, checked.processor + loading.processor)
            print(
                f"{kind:11} {len(content) / 1e6:5.1f} MB  check {checked}  load {loading}  all {total} = "
                f"{rows / total.clock:.0f} rows/s ({rows / total.processor:.0f})\n"
                f"{'':11} floor {least}  load/floor {loading.clock / least.clock:.2f} "
                f"({loading.processor / least.processor:.2f})  all/floor {total.clock / least.clock:.2f} "
                f"({total.processor / least.processor:.2f})",
                flush=True,
            )
        print(
            f"{Change.objects.count()} links in the trail; peak memory "
            f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
        )
    finally:
        runner.teardown_databases(old)


main()
