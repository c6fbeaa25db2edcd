"""Numbers from outside: what is none gets a sentence, and one rule reads them all."""

from __future__ import annotations

import ast
import datetime as dt
from pathlib import Path

import pytest
from django.conf import settings

from registry.importing.cells import Agreed, CellError, day_in, moment_in, number_in
from registry.numbers.outside import NotANumber, decimal_number, impossible, whole_number

BAD = ["", " ", "²", "٤٢", "４２", "1_000", "9" * 5000, "0x10", "ten", "1 000", "+", "\n5", "5\n"]


@pytest.mark.parametrize("text", [*BAD, "1.5", "1e3", "-1", "101"])
def test_a_whole_number_out_of_bounds_or_in_other_signs_is_refused(text):
    with pytest.raises(NotANumber) as told:
        whole_number(text, 0, 100)
    assert len(str(told.value)) < 120


@pytest.mark.parametrize(("text", "value"), [("0", 0), ("100", 100), ("007", 7), ("+5", 5)])
def test_a_whole_number_within_bounds_is_read(text, value):
    assert whole_number(text, 0, 100) == value


@pytest.mark.parametrize("text", [*BAD, "1e400", "-1e400", "nan", "inf", "Infinity", "1e16", "1e+9999", "."])
def test_a_decimal_number_is_finite_and_of_a_possible_size(text):
    with pytest.raises(NotANumber) as told:
        decimal_number(text)
    assert len(str(told.value)) < 120


@pytest.mark.parametrize(
    ("text", "value"), [("1.5", 1.5), ("-.5", -0.5), ("2e3", 2000.0), ("5.", 5.0), ("1e-320", 1e-320)]
)
def test_a_decimal_number_is_read(text, value):
    assert decimal_number(text) == value


@pytest.mark.parametrize(
    ("value", "refused"),
    [
        (float("nan"), True),
        (float("inf"), True),
        (1.5, False),
        (dt.date(1, 1, 1), True),
        (dt.date(1899, 12, 31), True),
        (dt.date(1900, 1, 1), False),
        (dt.date(2199, 12, 31), False),
        (dt.datetime(9999, 12, 31, 23, 59, tzinfo=dt.UTC), True),
        ("text", False),
        (None, False),
    ],
)
def test_what_no_record_can_hold(value, refused):
    assert bool(impossible(value)) is refused


AGREED = Agreed(date_order="dmy", serial="1900", decimal=".")


@pytest.mark.parametrize("cell", ["²", "٤٢", "9" * 5000, "1e400", "nan", float("inf"), float("nan"), 1e300])
@pytest.mark.parametrize("read", [number_in, day_in, moment_in])
def test_a_cell_that_is_no_number_is_refused_with_a_sentence(read, cell):
    with pytest.raises(CellError):
        read(cell, AGREED)


@pytest.mark.parametrize("text", ["0001-01-01", "9999-12-31", "٢٠٢٤-٠١-٠١", "1899-12-31", "99999"])
@pytest.mark.parametrize("read", [day_in, moment_in])
def test_a_day_far_from_ours_is_refused_with_a_sentence(read, text):
    with pytest.raises(CellError):
        read(text, AGREED)


def test_no_other_module_asks_a_text_whether_it_is_digits():
    """``isdigit`` is no promise to ``int``: numbers from outside are read by one module."""
    found = []
    for room in ("registry", "procedures", "analytics", "config"):
        for path in (Path(settings.BASE_DIR) / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Attribute) and node.attr in {"isdigit", "isdecimal", "isnumeric"}:
                    found.append(f"{path.name}:{node.lineno}")
    assert found == []
