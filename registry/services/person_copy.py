"""A patient's copy of their own data, as one ZIP file for people and for machines."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

from django.db import transaction
from django.template.loader import render_to_string
from django.utils import timezone

from registry.access import Right, require
from registry.erasing import STORES
from registry.errors import RuleBroken
from registry.models import Patient, User
from registry.selectors.erasing import stands_for
from registry.selectors.person_copy import LEFT_OUT, LOOK_COLUMNS, CopyTable, looks_at, tables
from registry.services.looks import record_look
from registry.spreadsheets import harmless
from registry.trail import record as trail

ACTION = "copied"
# A longer value is only in the tables: a page with the samples of a beat is of no use to a reader.
_LONGEST = 400
_UPKEEP = ("version", "created_at", "updated_at")


@dataclass(frozen=True)
class Copied:
    """What a copy holds, and the hash of its file."""

    records: int
    files: int
    sha256: str


def make_person_copy(*, by: User, patient: Patient, into: Path, recordings: bool = False) -> Copied:
    """Write the copy to a file that is not there yet; who made it, and its hash, stand in the change trail.

    Only the person who runs the command may read the file. It appears under its name when it is whole.

    Raises
    ------
    AccessDenied
        Unless the person may make copies in the patient's centre.
    RuleBroken
        When the code was merged into another, or the file is there already.
    OSError
        When the file cannot be written, or a recording cannot be read.
    """
    require(by, patient.centre_id, Right.COPY_PATIENTS)
    if patient.merged_into_id:
        raise RuleBroken(f"{patient.code} was merged into another code. Make the copy of that one.")
    codes = stands_for(patient)
    handle, name = tempfile.mkstemp(prefix=".copy-", dir=into.parent)
    draft = Path(name)
    try:
        with os.fdopen(handle, "wb") as target:
            records, files = _write(target, patient, codes, recordings=recordings)
        with draft.open("rb") as written:
            digest = hashlib.file_digest(written, "sha256").hexdigest()
        with transaction.atomic():
            record_look(by=by, patients=list(codes), page="person_copy")
            trail.write(
                centre_id=patient.centre_id,
                by=by,
                action=ACTION,
                record=patient,
                old=trail.state_of(patient),
                reason=f"Copy for the patient, SHA-256 {digest}",
            )
            try:
                os.link(draft, into)  # unlike a rename, this overwrites nothing
            except FileExistsError:
                raise RuleBroken("There is a file of this name already. Choose another name.") from None
    finally:
        with suppress(FileNotFoundError):
            draft.unlink()
    return Copied(records, files, digest)


def _write(target: Any, patient: Patient, codes: Collection[UUID], *, recordings: bool) -> tuple[int, int]:
    count, shown, every = 0, [], tables()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for table in every:
            rows = list(table.rows(codes))
            count += len(rows)
            _csv(archive, f"tables/{table.name}.csv", [one.name for one in table.shown], rows)
            archive.writestr(f"tables/{table.name}.json", json.dumps(rows, ensure_ascii=False, indent=1))
            if rows:
                shown.append({"table": table, "rows": [_in_words(table, row) for row in rows]})
        looks = list(looks_at(patient, codes))
        _csv(archive, "access-log.csv", LOOK_COLUMNS, looks)
        _csv(archive, "data-dictionary.csv", _DICTIONARY, _dictionary(every))
        files = _add_originals(archive, codes) if recordings else 0
        context = {
            "patient": patient,
            "tables": shown,
            "looks": looks,
            "left_out": sorted(LEFT_OUT.values()),
            "recordings": recordings,
            "made_at": timezone.localtime(),
        }
        archive.writestr("index.html", render_to_string("registry/person_copy.html", context))
    return count, files


_DICTIONARY = ("table", "column", "in_words", "kind", "choices", "left_out_because")


def _dictionary(every: Iterable[CopyTable]) -> Iterator[dict[str, str]]:
    for table in every:
        for field in table.fields:
            choices = "; ".join(f"{key}: {label}" for key, label in field.choices.items())
            told = (table.name, field.name, field.label, field.kind, choices, field.left_out)
            yield dict(zip(_DICTIONARY, told, strict=True))


def _in_words(table: CopyTable, row: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what a reader wants of a row: labels and values, without keys and empty ones."""
    told = []
    for field in table.shown:
        value = row[field.name]
        if value in (None, "", [], {}) or field.kind.startswith("key") or field.name in _UPKEEP:
            continue
        text = "Yes" if value is True else "No" if value is False else str(field.choices.get(_hashable(value), value))
        told.append((field.label, text if len(text) <= _LONGEST else f"See the file {table.name}.csv."))
    return told


def _hashable(value: Any) -> Any:
    return None if isinstance(value, list | dict) else value


def _csv(archive: zipfile.ZipFile, name: str, columns: Sequence[str], rows: Iterable[dict[str, Any]]) -> None:
    with archive.open(name, "w") as raw, io.TextIOWrapper(raw, encoding="utf-8-sig", newline="") as text:
        writer = csv.writer(text)
        writer.writerow(columns)
        for row in rows:
            writer.writerow([harmless(_cell(row[column])) for column in columns])


def _cell(value: Any) -> Any:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, list | dict) else value


def _add_originals(archive: zipfile.ZipFile, codes: Collection[UUID]) -> int:
    count = 0
    for store in STORES.values():
        if store.original is None:
            continue
        for name in sorted(set(store.of_patients(codes))):
            count += 1
            with store.original(name) as source, archive.open(f"recordings/{name}", "w") as target:
                shutil.copyfileobj(source, target)
    return count
