"""What the fields of clinical forms read and refuse."""

import pytest
from django import forms

from registry.forms.fields import AnswerField, CountField, DayField, NumberField, WordsField


def said(field: forms.Field, typed: str) -> str:
    """Return what a form with this one field says."""
    form = type("Sample", (forms.Form,), {"field": field})({"field": typed})
    return form.errors["field"][0]


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
def test_number_in_a_common_spelling_is_read(typed, number):
    assert NumberField("Dose", required=False).clean(typed) == number


@pytest.mark.parametrize("typed", ["1,500", "-12,345", "120,000"])
def test_comma_that_may_separate_thousands_is_asked_about(typed):
    with pytest.raises(forms.ValidationError, match="could mean") as caught:
        NumberField("Dose").clean(typed)
    assert typed.replace(",", "") in caught.value.messages[0]


@pytest.mark.parametrize("typed", ["nan", "inf", "1e400", "0x10", "9" * 30, "1.2.3", "1,2,3"])
def test_what_is_no_number_is_refused(typed):
    with pytest.raises(forms.ValidationError, match="enter only a number"):
        NumberField("Dose").clean(typed)


@pytest.mark.parametrize("typed", ["34 mL", "--", "1e2"])
def test_a_message_names_quantity_and_unit(typed):
    with pytest.raises(forms.ValidationError, match=r"Volume: enter only a number, in mL."):
        NumberField("Volume", "mL").clean(typed)


@pytest.mark.parametrize(("typed", "number"), [("12", 12), (" 1 200 ", 1200), ("", None)])
def test_counts_are_whole(typed, number):
    assert CountField("Beats", required=False).clean(typed) == number


@pytest.mark.parametrize("typed", ["12.5", "many", "-3"])
def test_counts_that_are_not_whole_are_refused(typed):
    with pytest.raises(forms.ValidationError, match="Beats: enter a whole number"):
        CountField("Beats").clean(typed)


def test_a_number_that_may_be_negative_gets_the_full_keyboard():
    assert NumberField("Volume").widget.attrs["inputmode"] == "decimal"
    assert "inputmode" not in NumberField("Delay", signed=True).widget.attrs


def test_an_answer_is_asked_for():
    assert said(AnswerField("Sex", [("f", "Female")]), "") == "Sex: choose one answer."


@pytest.mark.parametrize("typed", ["31/12/2023", "2023-13-01", "yesterday"])
def test_days_that_could_be_misread_are_refused(typed):
    assert said(DayField("Day"), typed) == "Day: enter the date as year-month-day, such as 2024-03-27."


def test_words_are_trimmed_and_not_blank():
    assert WordsField("Name").clean("  Ada ") == "Ada"
    assert said(WordsField("Name"), "   ") == "Enter the name."
