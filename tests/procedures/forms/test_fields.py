from __future__ import annotations

import pytest
from django import forms

from procedures.forms.fields import NumberField


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        ("1,5", 1.5),
        ("1.500", 1.5),
        (" 1 500 ", 1500.0),
        ("0,125", 0.125),
        ("1500,125", 1500.125),
        ("−5", -5.0),
        ("", None),
    ],
)
def test_number_in_a_common_spelling_is_read(typed: str, number: float | None) -> None:
    assert NumberField(label="Dose", required=False).clean(typed) == number


@pytest.mark.parametrize("typed", ["1,500", "-12,345", "120,000"])
def test_comma_that_may_separate_thousands_is_asked_about(typed: str) -> None:
    with pytest.raises(forms.ValidationError, match="could be") as caught:
        NumberField(label="Dose").clean(typed)
    assert typed.replace(",", "") in caught.value.messages[0]


@pytest.mark.parametrize("typed", ["nan", "inf", "1e400", "0x10", "9" * 30, "1.2.3", "1,2,3"])
def test_what_is_no_number_is_refused(typed: str) -> None:
    with pytest.raises(forms.ValidationError, match="enter a number"):
        NumberField(label="Dose").clean(typed)
