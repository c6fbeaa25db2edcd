"""No form answers with the form library's own sentences: each says what to enter, in words of the page."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator

import pytest
from django import forms
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import get_resolver

from registry.forms.sentences import INCOMPLETE

ROOMS = ("registry", "procedures", "analytics")


def of_the_library() -> set[str]:
    """Return every sentence that a field of Django's would say."""
    fields = [one for one in vars(forms).values() if isinstance(one, type) and issubclass(one, forms.Field)]
    return {str(said) for one in fields for said in getattr(one, "default_error_messages", {}).values()}


def form_classes() -> list[type[forms.BaseForm]]:
    """Return the form classes of the rooms, after reading every module that may hold one."""
    _ = get_resolver().url_patterns
    for room in ROOMS:
        package = importlib.import_module(room)
        for module in pkgutil.walk_packages(package.__path__, f"{room}."):
            if ".forms" in module.name or ".views" in module.name or ".login" in module.name:
                importlib.import_module(module.name)

    def below(one: type) -> Iterator[type]:
        for derived in one.__subclasses__():
            yield derived
            yield from below(derived)

    found = {one for one in below(forms.BaseForm) if one.__module__.split(".")[0] in ROOMS}
    return sorted(found, key=lambda one: f"{one.__module__}.{one.__name__}")


def answered(form_class: type[forms.BaseForm], data: dict[str, str], files: dict | None = None) -> forms.Form:
    """Clean the fields of a form class without what the class does besides."""
    bare = type("Bare", (forms.Form,), dict(form_class.base_fields))  # type: ignore[attr-defined] # made by the metaclass
    form = bare(data, files or {})
    form.full_clean()
    return form


def messages(form: forms.Form) -> list[tuple[str, str]]:
    return [(name, str(message)) for name, said in form.errors.items() for message in said]


def test_every_missing_answer_is_asked_for_in_our_words():
    library, faults, seen = of_the_library(), [], 0
    for form_class in form_classes():
        form = answered(form_class, {})
        for name, message in messages(form):
            seen += 1
            hidden = form[name].is_hidden
            if message in library or (message == INCOMPLETE) != hidden:
                faults.append(f"{form_class.__name__}.{name}: {message}")
    assert seen > 100
    assert faults == []


def test_every_answer_that_cannot_be_used_is_refused_in_our_words():
    library, faults, seen = of_the_library(), [], 0
    for form_class in form_classes():
        names = form_class.base_fields  # type: ignore[attr-defined] # made by the metaclass
        long = "x" * 5000
        files = {name: SimpleUploadedFile("empty.csv", b"") for name in names}
        form = answered(form_class, dict.fromkeys(names, long), files)
        for name, message in messages(form):
            seen += 1
            if message in library or message.startswith(("Ensure this", "Select a valid", "Enter a valid", "No file")):
                faults.append(f"{form_class.__name__}.{name}: {message}")
    assert seen > 100
    assert faults == []


class Sample(forms.Form):
    name = forms.CharField(label="Hospital number", max_length=3, min_length=2)
    password = forms.CharField(label="Your password")
    qrs = forms.CharField(label="QRS morphology")
    reached = forms.ChoiceField(label="Was it reached?", choices=[("y", "Yes")])
    on = forms.DateField(label="Given on")
    count = forms.IntegerField(label="Beats", min_value=2, max_value=5)
    sure = forms.BooleanField(label="I have checked it")
    file = forms.FileField(label="Table")
    own = forms.CharField(label="Own", error_messages={"required": "Say it."})
    key = forms.UUIDField(widget=forms.HiddenInput)


@pytest.mark.parametrize(
    ("name", "typed", "said"),
    [
        ("name", "", "Enter the hospital number."),
        ("name", "12345", "Hospital number: use at most 3 characters; there are 5."),
        ("name", "1", "Hospital number: use at least 2 characters; there are 1."),
        ("password", "", "Enter your password."),
        ("qrs", "", "Enter the QRS morphology."),
        ("reached", "", "Was it reached? Choose one."),
        ("reached", "z", "Was it reached? Choose one from the list."),
        ("on", "", "Given on: enter a date."),
        ("on", "soon", "Given on: enter the date as year-month-day, such as 2024-03-27."),
        ("count", "many", "Beats: enter a whole number, such as 30."),
        ("count", "1", "Beats: enter at least 2."),
        ("count", "9", "Beats: enter at most 5."),
        ("sure", "", "Tick the box: I have checked it."),
        ("file", "", "Table: choose a file."),
        ("own", "", "Say it."),
        ("key", "", INCOMPLETE),
        ("key", "x", INCOMPLETE),
    ],
)
def test_sentences_name_the_field_and_what_to_do(name, typed, said):
    assert Sample({name: typed}).errors[name] == [said]
