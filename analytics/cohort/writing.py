"""Writing the files of an export into a folder."""

from __future__ import annotations

import csv
import datetime as dt
import json
import platform
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import django

from analytics.cohort.catalogue import TABLES, WITHHELD
from analytics.cohort.selection import Cohort
from procedures.recordings.hashing import sha256_of
from procedures.services.responses import ALGORITHM_VERSION
from registry.spreadsheets import harmless

FORMAT = "tributary cohort 1"
DICTIONARY = ("file", "column", "label", "type", "unit", "allowed_values", "source")
RULES = (
    "Only patients whose research consent is valid on the day of the export and who have not withdrawn their "
    "registry consent.",
    "Keys are replaced by keyed hashes (HMAC-SHA-256, 80 bits); the key is kept outside the database and the export. "
    "Exports with the same key fingerprint use the same pseudonyms and shifts.",
    "All dates of a patient are shifted by one secret number of days from -365 to 365, never 0, so that intervals are "
    "exact. Times within a session are seconds since its start; no clock time is exported.",
    "Ages over 89 are '90+'. An age is 'withheld' when the patient turned 90 later within the exported days. "
    "Birth dates and years are not exported.",
    "No names, hospital numbers, codes, centre, staff, free text, device models, serial numbers or recordings.",
)
_README = """De-identified cohort, format '{format}', exported on {day}.

Contents: {patients} patients, {sessions} sessions. CSV files (UTF-8, comma, header row). An empty cell is a missing
value, never zero. data_dictionary.csv explains every column (units in UCUM; mean, sd and standard_error of
epoch_metrics.csv are in the unit that metrics.csv gives for the metric). manifest.json has the row count and SHA-256
of every file, the rules, and the fields that were withheld with the reason. Files are joined by the pseudonyms:
patient, session, site, epoch.

Rules applied:
{rules}

Limits. Shifted full dates are not "Safe Harbor" by themselves (45 CFR 164.514(b)(2)): sharing needs an expert
determination, a limited data set agreement or what your jurisdiction requires. {year}Rare combinations (age, sex,
vein, outcome) were not searched for: assess them before sharing, and do not try to identify anybody.

The numbers support and do not replace the judgement of a licensed team; this is not a certified medical device.
"""


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | dict):
        return json.dumps(value, ensure_ascii=False)
    return value.isoformat() if isinstance(value, dt.date) else str(harmless(value))


def _write_csv(path: Path, header: Iterable[str], rows: Iterator[list[Any]]) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header)
        for count, row in enumerate(rows, start=1):  # noqa: B007 - the count is what is wanted
            writer.writerow(_cell(value) for value in row)
    return count


def _dictionary_rows() -> Iterator[list[Any]]:
    for table in TABLES:
        for column in table.columns:
            yield [table.file, column.name, column.label, column.type, column.unit, column.allowed, column.source]


def write_files(folder: Path, cohort: Cohort, *, today: dt.date, year: int | None) -> str:
    """Write tables, data dictionary, README and manifest. Returns the SHA-256 of the manifest."""
    counts = {
        table.file: _write_csv(folder / table.file, (column.name for column in table.columns), table.rows(cohort))
        for table in TABLES
    }
    counts["data_dictionary.csv"] = _write_csv(folder / "data_dictionary.csv", DICTIONARY, _dictionary_rows())
    told = "The year of the sessions is known, which limits the possible date shifts near its ends. " if year else ""
    readme = _README.format(
        format=FORMAT,
        day=today.isoformat(),
        patients=len(cohort.patients),
        sessions=len(cohort.sessions),
        rules="\n".join(f"- {rule}" for rule in RULES),
        year=told,
    )
    (folder / "README.txt").write_text(readme, encoding="utf-8")
    manifest = {
        "format": FORMAT,
        "exported_on": today.isoformat(),
        "year": year,
        "patients": len(cohort.patients),
        "sessions": len(cohort.sessions),
        "key_fingerprint": cohort.deidentifier.fingerprint,
        "versions": {
            "acute_response": ALGORITHM_VERSION,
            "django": django.get_version(),
            "python": platform.python_version(),
        },
        "rules": RULES,
        "withheld": WITHHELD,
        "files": {name: {"rows": rows, "sha256": sha256_of(folder / name)} for name, rows in counts.items()}
        | {"README.txt": {"sha256": sha256_of(folder / "README.txt")}},
    }
    path = folder / "manifest.json"
    path.write_text(json.dumps(manifest, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return sha256_of(path)
