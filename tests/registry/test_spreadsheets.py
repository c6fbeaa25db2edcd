"""No text in a table is taken for a formula."""

from __future__ import annotations

import pytest

from registry.spreadsheets import harmless

FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)"]
BEFORE = ["", " ", "   ", "\t", "\r", "\n", "\u00a0", "\u3000", "\u200b", "\ufeff", "\x00"]
FULL_WIDTH = ["\uff1d1", "\uff0b1", "\uff0d1", "\uff20SUM(A1)", " \uff1d1"]


@pytest.mark.parametrize("text", [*(before + formula for before in BEFORE for formula in FORMULAS), *FULL_WIDTH])
def test_formula_is_made_text(text: str) -> None:
    assert harmless(text) == "'" + text


@pytest.mark.parametrize("cell", ["text", "a=b", "1-2", "", " words", -1.5, 3, None, True])
def test_everything_else_stays(cell: object) -> None:
    assert harmless(cell) is cell
