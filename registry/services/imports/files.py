"""Taking in the file of an import: kept once by content, opened at one of its sheets, thrown away."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Protocol
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from registry.days import in_words
from registry.described.kind import tables
from registry.errors import RuleBroken
from registry.importing.csv_table import ENCODINGS, SEPARATORS
from registry.importing.reading import read_table
from registry.importing.table import MAX_BYTES, Table, TableError
from registry.models import Centre, ImportPiece, ImportState, PieceOf, TableImport, User
from registry.selectors.imports import table_of
from registry.services.imports.editing import editing, require_import, reset, text_of
from registry.services.records import put

PIECE = 512 * 1024


class Upload(Protocol):
    """An uploaded file, as the web framework hands it over."""

    def chunks(self) -> Iterable[bytes]: ...


def begin_import(
    *,
    by: User,
    centre: Centre,
    kind: str,
    upload: Upload,
    original_name: str,
    encoding: str = "utf-8",
    separator: str = "",
    sheet: str = "",
    key: UUID | None = None,
) -> TableImport:
    """Keep a file for import. A file that is under way for this kind already is taken up where it stands.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When the file cannot be read, or was loaded before.
    """
    if kind not in tables():
        raise RuleBroken(f"'{kind}' is not a kind of table; the kinds are {', '.join(tables())}.")
    require_import(by, centre.pk, tables()[kind])
    if encoding not in ENCODINGS or (separator and separator not in SEPARATORS):
        raise RuleBroken(f"The encodings are {', '.join(ENCODINGS)}, the separators {', '.join(SEPARATORS)}.")
    content = _received(upload)
    sha256 = hashlib.sha256(content).hexdigest()
    before = TableImport.objects.filter(centre=centre, kind=kind, sha256=sha256)
    under_way = before.exclude(state__in=(ImportState.LOADED, ImportState.DISCARDED)).filter(
        encoding=encoding, separator=separator
    )
    if run := under_way.first():
        return run
    table = _opened(content, sheet, encoding, separator, original_name)
    loaded = (
        before.filter(state=ImportState.LOADED, sheet=table.sheet).select_related("uploaded_by", "loaded_by").first()
    )
    if loaded and (table.sheet or len(table.sheets) < 2):
        raise RuleBroken(_loaded_before(loaded), fields={"file": [_loaded_before(loaded)]})
    with transaction.atomic():
        values = {
            "kind": kind,
            "uploaded_by": by,
            "original_name": Path(original_name.replace("\\", "/")).name[:200],
            "sha256": sha256,
            "size_bytes": len(content),
            "encoding": encoding,
            "separator": separator,
            "sheet": table.sheet[:100],
            "look": text_of({"header": table.header, "sheets": table.sheets, "notes": table.notes}),
        }
        run, made = put(TableImport, by=by, centre_id=centre.pk, scope={"centre": centre}, values=values, key=key)
        if made:
            pieces = (content[start : start + PIECE] for start in range(0, len(content), PIECE))
            for number, piece in enumerate(pieces):
                encoded = base64.b64encode(piece).decode()
                ImportPiece.objects.create(table_import=run, of=PieceOf.FILE, number=number, content=encoded)
    return run


def choose_sheet(*, by: User, run: TableImport, sheet: str) -> TableImport:
    """Say which sheet of a workbook is meant; decisions about another sheet are dropped.

    Raises
    ------
    RuleBroken
        When there is no such sheet, or it cannot be read.
    """
    with editing(by, run) as locked:
        locked.sheet = sheet
        try:
            table = table_of(locked)
            if table.header and next(table.rows, None) is None:
                raise TableError("There are no rows below the column names.")
        except TableError as error:
            raise RuleBroken(str(error), fields={"sheet": [str(error)]}) from None
        look = {"header": table.header, "sheets": table.sheets, "notes": table.notes}
        locked.look, locked.plan = text_of(look), "{}"
        reset(locked)
        locked.save()
        return locked


def discard_import(*, by: User, run: TableImport) -> TableImport:
    """Throw the kept file away; nothing of it was written, or everything was."""
    with editing(by, run) as locked:
        locked.pieces.all().delete()
        locked.state, locked.look, locked.finished_at = ImportState.DISCARDED, "{}", timezone.now()
        locked.save()
        return locked


def _received(upload: Upload) -> bytes:
    held = bytearray()
    for chunk in upload.chunks():
        held += chunk
        if len(held) > MAX_BYTES:
            message = f"The file is larger than {MAX_BYTES // 1024**2} MB. Split it, or save it as CSV."
            raise RuleBroken(message, fields={"file": [message]})
    return bytes(held)


def _opened(content: bytes, sheet: str, encoding: str, separator: str, name: str) -> Table:
    try:
        table = read_table(content, sheet=sheet, encoding=encoding, separator=separator)
        if table.header and next(table.rows, None) is None:
            raise TableError("There are no rows below the column names.")
    except TableError as error:
        raise RuleBroken(f"{Path(name).name}: {error}", fields={"file": [str(error)]}) from None
    return table


def _loaded_before(run: TableImport) -> str:
    ended = timezone.localtime(run.finished_at) if run.finished_at else None
    when = f"{in_words(ended)}, {ended:%H:%M}," if ended else "an earlier day"
    return (
        f"This file was already loaded, on {when} by {run.loaded_by or run.uploaded_by}: {run.records_made} "
        "records. Nothing was saved again."
    )
