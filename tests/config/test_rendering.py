"""One template draws every field: name, unit, remark, hint and messages, joined to the control for screen readers."""

from __future__ import annotations

import re

import pytest
from django import forms
from django.template.loader import render_to_string

from registry.forms.base import PageForm
from registry.forms.fields import NumberField, YesNoField


class Sample(PageForm):
    says_optional = True
    wide = ("code",)

    mass = NumberField("Mass", "kg", required=False, help_text="As weighed.")
    volume = NumberField("Volume", "mL")
    code = forms.CharField(label="Code")
    notes = forms.CharField(label="Notes", widget=forms.Textarea, required=False)
    password = forms.CharField(label="Your password", widget=forms.PasswordInput, required=False)
    alive = YesNoField("Alive")
    sure = forms.BooleanField(label="I am <sure>")


def drawn(name: str, form: forms.Form | None = None) -> str:
    return re.sub(r"\s+", " ", (form or Sample())[name].as_field_group())


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", html)).strip()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("mass", "Mass (kg, optional)"),
        ("volume", "Volume (mL)"),
        ("code", "Code"),
        ("notes", "Notes"),
        ("password", "Your password"),
    ],
)
def test_name_says_unit_and_whether_it_may_stay_empty(name, said):
    label = re.search(rf'<label for="id_{name}">(.*?)</label>', drawn(name))
    assert label
    assert words(label[1]) == said


def test_optional_is_said_of_the_fields_a_form_names_and_of_no_others():
    class Named(Sample):
        says_optional = ("mass",)

    class Silent(Sample):
        says_optional = False

    assert "optional)" in drawn("mass", Named())
    assert "optional)" not in drawn("volume", Named())
    assert "optional)" not in drawn("mass", Silent())


@pytest.mark.parametrize(("name", "wide"), [("code", True), ("notes", True), ("mass", False)])
def test_long_text_and_what_the_form_names_is_wide(name, wide):
    assert (" wide" in re.search('class="field[^"]*"', drawn(name))[0]) is wide


@pytest.mark.parametrize("name", ["mass", "volume", "code", "alive", "sure"])
def test_hint_and_message_are_joined_to_the_control(name):
    html = drawn(name, Sample({"mass": "x", "alive": "perhaps"}))
    described = set(" ".join(re.findall('aria-describedby="([^"]*)"', html)).split())
    ids = set(re.findall(r'<p[^>]* id="([^"]*)"', html))
    assert f"id_{name}_error" in ids
    assert described == ids, "what is named exists, and what exists is named"
    assert 'class="field' in html
    assert " wrong" in html


def test_no_message_no_trace_of_one():
    html = drawn("mass")
    assert "error" not in html
    assert "wrong" not in html
    assert 'aria-describedby="id_mass_helptext"' in html


def test_names_are_escaped():
    assert "I am &lt;sure&gt;" in drawn("sure")


def test_summary_leads_to_every_control_in_the_order_of_the_form():
    form = Sample({"mass": "x"})
    form.add_error(None, "Both belong together.")
    html = render_to_string("forms/errors.html", {"form": form})
    assert words(html).startswith("▲ Not accepted yet Both belong together. Mass: enter only a number, in kg")
    targets = re.findall('href="#([^"]*)"', html)
    assert targets == ["id_mass", "id_volume", "id_code", "id_sure"]
    page = "".join(field.as_field_group() for field in form)
    assert [target for target in targets if f'id="{target}"' not in page] == []
    assert 'role="alert" tabindex="-1" aria-labelledby="to-correct"' in html
    assert '<h2 id="to-correct">' in html


def test_no_summary_without_a_message():
    assert render_to_string("forms/errors.html", {"form": Sample()}).strip() == ""
