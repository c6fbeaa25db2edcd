"""What the fields of clinical forms read and refuse."""

import pytest
from django import forms

from registry.forms.fields import AnswerField, DayField, NumberField, WholeNumberField, WordsField


@pytest.mark.parametrize(("typed", "number"), [("34", 34), (" 34.5 ", 34.5), ("-3", -3), ("1e2", 100), ("", None)])
def test_numbers_are_read(typed, number):
    assert NumberField("Volume", "mL").clean(typed) == number


@pytest.mark.parametrize("typed", ["34,5", "34 mL", "nan", "inf", "--", "1.2.3"])
def test_what_could_be_misread_is_refused_with_what_to_do(typed):
    with pytest.raises(forms.ValidationError, match=r"Volume: enter a number with a point, such as 1.5"):
        NumberField("Volume", "mL").clean(typed)


@pytest.mark.parametrize(("typed", "number"), [("12", 12), ("12.0", 12), ("", None)])
def test_counts_are_whole(typed, number):
    assert WholeNumberField("Beats").clean(typed) == number


@pytest.mark.parametrize("typed", ["12.5", "many"])
def test_counts_that_are_not_whole_are_refused(typed):
    with pytest.raises(forms.ValidationError, match="Beats: enter a whole number"):
        WholeNumberField("Beats").clean(typed)


def test_a_number_that_may_be_negative_gets_the_full_keyboard():
    assert NumberField("Volume").widget.attrs["inputmode"] == "decimal"
    assert "inputmode" not in NumberField("Delay", may_be_negative=True).widget.attrs


def test_an_answer_is_asked_for():
    with pytest.raises(forms.ValidationError, match=r"Sex: choose one answer."):
        AnswerField("Sex", [("f", "Female")]).clean("")


@pytest.mark.parametrize("typed", ["31/12/2023", "2023-13-01", "yesterday"])
def test_days_that_could_be_misread_are_refused(typed):
    with pytest.raises(forms.ValidationError, match="enter a date as year-month-day"):
        DayField("Day").clean(typed)


def test_words_are_trimmed_and_not_blank():
    assert WordsField("Name").clean("  Ada ") == "Ada"
    with pytest.raises(forms.ValidationError, match=r"Name: enter it."):
        WordsField("Name").clean("   ")
