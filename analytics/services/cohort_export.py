"""Exporting a de-identified cohort: all of it, recorded in the change trail, or nothing."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

from django.db import connection, transaction
from django.utils import timezone

from analytics.cohort.deidentify import Deidentifier
from analytics.cohort.selection import select_cohort
from analytics.cohort.writing import write_files
from analytics.models import CohortExport
from registry.access import Right, require
from registry.errors import RuleBroken
from registry.models import Centre, User
from registry.services.records import put


def export_cohort(*, by: User, centre: Centre, out: Path, key: str, year: int | None = None) -> CohortExport:
    """Write a cohort into a new folder and record that it left.

    The files are written beside the folder under another name, which becomes the folder's only when everything is
    there.

    Raises
    ------
    AccessDenied
        When the role does not export cohorts.
    RuleBroken
        When the folder is there and not empty, cannot be made, the key is too short, or the cohort would be empty.
    """
    require(by, centre.pk, Right.EXPORT_COHORT)
    try:
        deidentifier = Deidentifier(key)
    except ValueError as error:
        raise RuleBroken(str(error)) from None
    _check_target(out)
    today = timezone.localdate()
    draft: Path | None = None
    try:
        with _one_moment():
            cohort = select_cohort(centre, year, deidentifier, today=today)
            if not cohort.patients:
                treated = f" and a session in {year}" if year else ""
                raise RuleBroken(f"No patient of {centre.code} has a valid research consent today{treated}.")
            draft = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
            manifest_sha256 = write_files(draft, cohort, today=today, year=year)
        values = {
            "made_by": by,
            "made_at": timezone.now(),
            "year": year,
            "patients": len(cohort.patients),
            "sessions": len(cohort.sessions),
            "key_fingerprint": deidentifier.fingerprint,
            "manifest_sha256": manifest_sha256,
        }
        with transaction.atomic():
            export, _ = put(CohortExport, by=by, centre_id=centre.pk, values=values, scope={"centre": centre})
            # Last in the transaction: a failure takes the record back too. An empty folder is replaced.
            draft.rename(out)
        return export
    except OSError as error:
        raise RuleBroken(f"The folder {out} could not be written: {error.strerror}.") from error
    finally:
        if draft is not None and draft.exists():
            shutil.rmtree(draft)


@contextmanager
def _one_moment() -> Iterator[None]:
    """Read everything as of one moment, holding up no writer.

    The record of the export is written in a transaction of its own: under this one the change trail of a busy centre
    could not be continued.
    """
    outermost = not connection.in_atomic_block
    with _only_reading() if outermost else nullcontext(), transaction.atomic():
        if connection.vendor == "postgresql" and outermost:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


@contextmanager
def _only_reading() -> Iterator[None]:
    """On SQLite begin without the write lock, which our transactions otherwise take at once."""
    usual = getattr(connection, "transaction_mode", None)
    if usual is not None:
        setattr(connection, "transaction_mode", "DEFERRED")  # noqa: B010 - known to the SQLite backend alone
    try:
        yield
    finally:
        if usual is not None:
            setattr(connection, "transaction_mode", usual)  # noqa: B010


def _check_target(out: Path) -> None:
    if not out.parent.is_dir():
        raise RuleBroken(f"The folder {out.parent} does not exist.")
    if out.exists() and not out.is_dir():
        raise RuleBroken(f"{out} is a file; name a new or empty folder.")
    if out.is_dir() and any(out.iterdir()):
        raise RuleBroken(f"The folder {out} is not empty. Choose an empty folder: an export never overwrites files.")
