"""Files with something wrong: each gets its message, at its row and column, and nothing is written anywhere."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from registry.errors import RuleBroken
from registry.importing import table as limits
from registry.importing import xlsx_table
from registry.models import Role
from tests import factories as make
from tests.registry.importing.tables import (
    FORMATS,
    PATIENTS,
    VISITS,
    as_csv,
    begin,
    checked,
    counts,
    decided,
    findings,
    saved,
    workbook,
)

pytestmark = pytest.mark.django_db
GOOD = ("N-1", "Adler", "Eva", "1950-03-27", "female", "ischaemic")
VISIT = ("HOSP-1", "follow_up", "2024-06-01", "II", "35", "200", "120")


@dataclass(frozen=True)
class Broken:
    """Rows under the usual names, and what must be said: at upload, on deciding columns, or at a row and column."""

    rows: list[tuple[Any, ...]]
    says: str
    row: int = 0
    column: str = ""
    header: tuple[Any, ...] = PATIENTS
    kind: str = "patients"
    plan: dict[str, Any] = field(default_factory=dict)


def patient(**changes: Any) -> tuple[Any, ...]:
    names = ("number", "family", "given", "born", "sex", "cause")
    return tuple(changes.get(name, cell) for name, cell in zip(names, GOOD, strict=True))


def visit(**changes: Any) -> tuple[Any, ...]:
    names = ("number", "when", "day", "nyha", "lvef", "lvedv", "lvesv")
    return tuple(changes.get(name, cell) for name, cell in zip(names, VISIT, strict=True))


def visits(*rows: tuple[Any, ...], says: str, row: int = 2, column: str = "", **more: Any) -> Broken:
    return Broken(list(rows), says, row, column, more.pop("header", VISITS), "assessments", more)


IN_BOTH = {
    "no rows below the column names": Broken([], "There are no rows below the column names."),
    "two columns of one name": Broken(
        [(*GOOD, "x")], "Columns E and G have the same name, 'sex'. Rename one of them.", header=(*PATIENTS, " sex ")
    ),
    "first row empty": Broken([GOOD], "The first row is empty", header=(None, None, None)),
    "too many columns": Broken(
        [tuple("1" * 301)], "The table has 301 columns; at most 300", header=tuple(f"c{n}" for n in range(301))
    ),
    "required column missing": Broken([GOOD[:3]], "Birth date: choose its column.", header=PATIENTS[:3]),
    "value beside the named columns": Broken(
        [(*GOOD, "astray")], "column G has a value but no name in the first row", 2, "the row"
    ),
    "empty required cell": Broken([GOOD, patient(number="N-2", family="  ")], "is empty", 3, "Family name"),
    "impossible day": Broken([patient(born="1950-02-30")], "'1950-02-30' is not a calendar date", 2, "Birth date"),
    "day in the future": Broken([patient(born="2999-01-01")], "The date is in the future", 2, "Birth date"),
    "day before 1900": Broken([patient(born="1850-01-01")], "1 January 1850 is before 1900", 2, "Birth date"),
    "two-digit year": Broken(
        [patient(born="27.03.50")], "'27.03.50' has a two-digit year; write all four digits", 2, "Birth date"
    ),
    "no date at all": Broken(
        [patient(born="in spring")], "'in spring' is not a date such as 2024-03-27", 2, "Birth date"
    ),
    "order of dates open": Broken([patient(born="03/04/1950")], "'03/04/1950' could be two different dates"),
    "orders of dates mixed": Broken(
        [patient(born="27/03/1950"), patient(number="N-2", born="03/27/1950")],
        "The file mixes date orders: '27/03/1950' and '03/27/1950'",
    ),
    "order of dates said, one does not fit": Broken(
        [patient(born="27/03/1950"), patient(number="N-2", born="03/27/1950")],
        "'03/27/1950' read as day, month, year is not a calendar date",
        3,
        "Birth date",
        plan={"date_order": "dmy"},
    ),
    "unknown word": Broken([patient(sex="F")], "'f': Column 'Sex' has this in 1 row"),
    "unknown word said to be a mistake": Broken(
        [patient(sex="F")],
        "'F' is not one of: Female, Male, Not known",
        2,
        "Sex",
        plan={"words": {"sex": {"f": "none"}}},
    ),
    "hospital number twice": Broken(
        [GOOD, patient(family="Bauer")], "is also the hospital number of row 2", 3, "Hospital number"
    ),
    "text too long": Broken([patient(number="N" * 61)], "has 61 characters; at most 60", 2, "Hospital number"),
    "patient not registered": visits(
        visit(number="HOSP-404"), says="no patient of this centre has this hospital number", column="Hospital number"
    ),
    "number and code of two patients": visits(
        (*VISIT, "P-0002"),
        says="the hospital number and the code belong to different patients",
        column="Patient's code",
        header=(*VISITS, "Patient's code"),
    ),
    "not a number": visits(visit(lvef="about 35"), says="'about 35' is not a number", column="LVEF (%)"),
    "out of range": visits(visit(lvef="350"), says="350 % is outside 3 to 90", column="LVEF (%)"),
    "values that exclude each other": visits(
        visit(lvedv="100", lvesv="120"), says="these values contradict each other: LVEDV, LVESV", column="the row"
    ),
    "decimal signs mixed": visits(
        visit(lvef="35.5"),
        visit(day="2024-07-01", lvef="30,5"),
        says="The file mixes decimal signs: '35.5' and '30,5'",
        row=0,
    ),
    "decimal sign said, one does not fit": visits(
        visit(lvef="35.5"),
        visit(day="2024-07-01", lvef="30,5"),
        says="'30,5' has a comma, but the decimal sign of this file is a point",
        row=3,
        column="LVEF (%)",
        decimal=".",
    ),
    "thousand or one": visits(visit(lvef=None, lvedv="1,250"), says="'1,250' could mean a thousand or one", row=0),
    "unit open": visits(
        (*visit(lvef=None), "900"),
        says="Column 'NT-proBNP' does not state its unit, and its values, 900 to 900, do not show which it is",
        row=0,
        header=(*VISITS, "NT-proBNP"),
    ),
    "same visit twice": visits(VISIT, VISIT, says="as row 2 of this file", row=3),
    "visit already stored": visits(visit(day="2024-01-05"), says="is already stored", column="the row"),
    "a number where a date belongs": visits(visit(day=45444), says="holds numbers where a date is expected", row=0),
    "a number where a date belongs, said to be a mistake": visits(
        visit(day=45444), says="it was not chosen whether numbers are dates", column="Date of assessment", serial="none"
    ),
    "words for missing not named": visits(visit(lvef="NA"), says="'NA' is not a number", column="LVEF (%)"),
}


@pytest.fixture
def lead(centre):
    by = make.make_user(Role.CLINICAL_LEAD, centre)
    for number in (1, 2):
        one = make.make_patient(centre, by=by, local_identifier=f"HOSP-{number}", code=f"P-000{number}")
        make.make_assessment(one, by=by, kind="follow_up", assessed_on=dt.date(2024, 1, 5))
    return by


def told(lead: Any, centre: Any, content: bytes, broken: Broken) -> list[tuple[int, str, str]]:
    """Return what is said about a file, wherever on the way it is said."""
    try:
        run = begin(lead, centre, content, broken.kind)
        run = decided(lead, run, **broken.plan)
        run = checked(lead, run)
    except RuleBroken as error:
        return [(0, "", str(error)), *((0, name, said) for name, all_said in error.fields.items() for said in all_said)]
    return findings(run)


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("name", IN_BOTH)
def test_a_broken_file_is_told_and_nothing_is_written(lead, centre, name, form):
    broken = IN_BOTH[name]
    before = counts()

    said = told(lead, centre, FORMATS[form]([broken.header, *broken.rows]), broken)

    assert any(
        broken.says in sentence and row == broken.row and (not broken.column or column == broken.column)
        for row, column, sentence in said
    ), said
    assert counts() == before


def bomb() -> bytes:
    out = io.BytesIO()
    with (
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package,
        package.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(xlsx_table.MAX_UNFOLDED // 2**20 + 1):
            part.write(b" " * 2**20)
    return out.getvalue()


def changed_sheet(change: Callable[[str], str]) -> bytes:
    """Return a good workbook whose sheet's XML was tampered with."""
    return changed(saved(workbook([PATIENTS, GOOD])), lambda content: change(content.decode()).encode())


def changed(book: bytes, change: Callable[[bytes], bytes]) -> bytes:
    out = io.BytesIO()
    source = zipfile.ZipFile(io.BytesIO(book))
    with zipfile.ZipFile(out, "w") as package:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename.endswith("sheet1.xml"):
                content = change(content)
            package.writestr(entry.filename, content)
    return out.getvalue()


def entities(text: str) -> str:
    return text.replace(
        "<worksheet", '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><worksheet', 1
    ).replace("<sheetData>", "<sheetData><!-- &b; -->")


def merged() -> bytes:
    book = workbook([PATIENTS, GOOD, patient(number="N-2")])
    book.active.merge_cells("B2:B3")
    return saved(book)


def in_other_quotes(content: bytes) -> bytes:
    return content.replace(b'"', b"'")


def in_utf16(content: bytes) -> bytes:
    text = content.decode()
    text = text[text.index("?>") + 2 :] if text.startswith("<?xml") else text
    return f'<?xml version="1.0" encoding="UTF-16"?>{text}'.encode("utf-16")


def spaced(content: bytes) -> bytes:
    return content.replace(b' ref="B2', b'\n ref = "B2')


def only_hidden() -> bytes:
    book = workbook([PATIENTS, GOOD])
    book.active.sheet_state = "hidden"
    book.create_sheet("empty")
    return saved(book)


def several() -> bytes:
    book = workbook([PATIENTS, GOOD], "2023")
    book.create_sheet("2024").append(list(PATIENTS))
    return saved(book)


def title_above() -> bytes:
    return saved(workbook([(), PATIENTS, GOOD]))


ONLY_CSV = {
    "empty": (b"", "The file is empty."),
    "blank": (b" \r\n \n", "The file is empty."),
    "wrong encoding": ("Hospital number,Name\nN-1,Müller\n".encode("latin-1"), "Line 2 is not UTF-8 text."),
    "zero bytes": (b"Hospital number,Name\nN-1,\0\0\n", "The file is not text"),
    "open quotation": (b'Hospital number,Name\nN-1,"Adler\nN-2,Bauer\n', "a quotation mark is not closed"),
    "separator could be two": (b"a;b,c\nd;e,f\n", "The columns could be separated by comma or semicolon"),
    "another format": (b"%PDF-1.7 ...", "The file is neither CSV nor XLSX."),
    "endless cell": (b"a,b\n" + b"x" * 10_001 + b",1\n", "a cell of more than 10000 characters"),
}
ONLY_XLSX = {
    "zip bomb": (bomb, "The workbook would expand to 401 MB"),
    "old or protected": (
        lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        "an old XLS or protected by a password",
    ),
    "cut off": (lambda: saved(workbook([PATIENTS, GOOD]))[:2000], "cannot be read as XLSX"),
    "a zip of something else": (lambda: zipped("readme.txt", b"hello"), "cannot be read as XLSX"),
    "entities": (lambda: changed_sheet(entities), "cannot be read as XLSX"),
    "row beyond the format": (
        lambda: changed_sheet(lambda text: text.replace('<row r="2"', '<row r="9999999999"')),
        "The sheet refers to row 9999999999",
    ),
    "sheet cut in the middle": (lambda: changed_sheet(lambda text: text[: len(text) // 2]), "cannot be read as XLSX"),
    "merged cells": (merged, "Cells are merged: B2:B3."),
    "merged cells in other quotes": (lambda: changed(merged(), in_other_quotes), "Cells are merged: B2:B3."),
    "merged cells in UTF-16": (lambda: changed(merged(), in_utf16), "Cells are merged: B2:B3."),
    "merged cells, spaced": (lambda: changed(merged(), spaced), "Cells are merged: B2:B3."),
    "row beyond the format in other quotes": (
        lambda: changed_sheet(lambda text: text.replace('<row r="2"', "<row r='9999999999'")),
        "The sheet refers to row 9999999999",
    ),
    "a row that is no number": (
        lambda: changed_sheet(lambda text: text.replace('<row r="2"', '<row r="two"')),
        "cannot be read as XLSX",
    ),
    "only hidden sheets": (only_hidden, "Every sheet with data is hidden"),
    "empty sheet": (lambda: saved(workbook([])), "The sheet is empty."),
    "title above the names": (title_above, "The first row is empty"),
}


def zipped(name: str, content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize("name", [*ONLY_CSV, *ONLY_XLSX])
def test_a_file_of_one_format_that_cannot_be_read(lead, centre, name):
    content, says = ONLY_CSV.get(name) or (ONLY_XLSX[name][0](), ONLY_XLSX[name][1])
    before = counts()

    with pytest.raises(RuleBroken, match=re.escape(says)):
        begin(lead, centre, content)

    assert counts() == before


def test_a_file_that_is_too_large_is_refused_while_it_arrives(lead, centre, monkeypatch):
    monkeypatch.setattr("registry.services.imports.files.MAX_BYTES", 1000)

    with pytest.raises(RuleBroken, match="larger than"):
        begin(lead, centre, as_csv([PATIENTS] + [patient(number=f"N-{n}") for n in range(30)]))


def test_a_table_with_too_many_rows(lead, centre, monkeypatch):
    monkeypatch.setattr(limits, "MAX_ROWS", 3)

    said = told(lead, centre, as_csv([PATIENTS] + [patient(number=f"N-{n}") for n in range(5)]), Broken([], ""))

    assert said[0][2].startswith("The table has more than 3 rows")


def test_a_row_that_was_cut_short_is_told_at_its_row(lead, centre):
    said = told(lead, centre, as_csv([PATIENTS, GOOD, GOOD[:4]]), Broken([], ""))

    assert said == [(3, "the row", "the row has 4 cells, the first row has 6")]


def test_a_formula_without_a_value_is_no_missing_value(lead, centre):
    said = told(lead, centre, saved(workbook([PATIENTS, patient(cause="=E2")])), Broken([], ""))

    assert (2, "Cause of heart failure", "the formula was not calculated; replace it with its value") in said


def test_a_number_shown_with_leading_zeros_is_no_hospital_number(lead, centre):
    book = workbook([PATIENTS, patient(number=123)])
    book.active["A2"].number_format = "00000"

    said = told(lead, centre, saved(book), Broken([], ""))

    assert said[0][:2] == (2, "Hospital number")
    assert "store it as text" in said[0][2]


def test_several_sheets_are_asked_for(lead, centre):
    run = begin(lead, centre, several())

    with pytest.raises(RuleBroken, match="Choose the sheet first"):
        decided(lead, run)


def test_rows_that_state_no_number_are_counted(lead, centre):
    content = changed(saved(workbook([PATIENTS, GOOD])), lambda xml: re.sub(rb' r="[A-Z]*[0-9]+"', b"", xml))
    run = checked(lead, decided(lead, begin(lead, centre, content)))
    assert (run.rows_read, run.problems) == (1, 0)


class _Counting(io.BytesIO):
    """A sheet that counts how much of it was read."""

    taken = 0

    def read(self, size: int | None = -1, /) -> bytes:
        piece = super().read(size)
        self.taken += len(piece)
        return piece


@pytest.mark.parametrize(
    ("most", "row", "says"),
    [
        ("MAX_ROWS", "<row><c><v>1</v></c></row>", "more than 20 rows"),
        ("MAX_ELEMENTS", "<row/>", "more cells than can be read"),
        ("MAX_ELEMENTS", '<row><c s="1"/><c s="1"/></row>', "more cells than can be read"),
    ],
)
def test_first_look_at_a_sheet_stops_at_the_bound(monkeypatch, most, row, says):
    monkeypatch.setattr(xlsx_table, most, 20)
    monkeypatch.setattr(limits, "MAX_ROWS", 20)
    sheet = _Counting(f"<worksheet><sheetData>{row * 300_000}</sheetData></worksheet>".encode())
    with pytest.raises(limits.TableError, match=says):
        xlsx_table._look(sheet)
    assert sheet.taken <= 1 << 20, "one block"


def test_blank_rows_are_no_rows(monkeypatch):
    monkeypatch.setattr(xlsx_table, "MAX_ROWS", 20)
    blank = '<row><c s="1"/></row>' * 100
    sheet = io.BytesIO(f"<worksheet><sheetData>{blank}<row><c><v>1</v></c></row></sheetData></worksheet>".encode())
    assert xlsx_table._look(sheet).filled == 1


def test_shared_texts_without_end_are_refused_before_the_library_reads_them(monkeypatch):
    monkeypatch.setitem(xlsx_table._MOST_IN, "sharedstrings.xml", 100)
    book = io.BytesIO(saved(workbook([PATIENTS, GOOD])))
    out = io.BytesIO()
    with zipfile.ZipFile(book) as source, zipfile.ZipFile(out, "w") as package:
        for entry in source.infolist():
            if entry.filename != "xl/sharedStrings.xml":
                package.writestr(entry.filename, source.read(entry))
        package.writestr("xl/sharedStrings.xml", f"<sst>{'<si><t>a</t></si>' * 60}</sst>")
    with pytest.raises(limits.TableError, match="more cells than can be read"):
        xlsx_table.read_xlsx(out.getvalue())


def test_rows_without_end_are_refused_before_the_library_opens_the_workbook(monkeypatch):
    monkeypatch.setattr(xlsx_table, "MAX_ROWS", 20)
    monkeypatch.setattr("openpyxl.load_workbook", None)
    many = "<row><c><v>1</v></c></row>" * 30
    book = changed_sheet(lambda text: text.replace("</sheetData>", f"{many}</sheetData>"))
    with pytest.raises(limits.TableError, match="more than 20 rows"):
        xlsx_table.read_xlsx(book)
