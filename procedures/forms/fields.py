"""Fields for what is typed at the bedside: moments, and choices nobody made yet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any, cast

from django import forms
from django.utils import timezone

from registry.described.checks import in_our_time


class MomentField(forms.DateTimeField):
    """A date and time to the second, in the clock of this installation."""

    default_validators = [in_our_time]

    def __init__(self, **options: Any) -> None:
        widget = forms.DateTimeInput(format="%Y-%m-%dT%H:%M:%S", attrs={"type": "datetime-local", "step": "1"})
        super().__init__(widget=widget, **options)

    def prepare_value(self, value: Any) -> Any:
        """Show a stored moment in local time, to the second."""
        if isinstance(value, dt.datetime):
            return (timezone.localtime(value) if timezone.is_aware(value) else value).replace(microsecond=0)
        return value


def pick(choices: Any, label: str, *, blank: str = "Choose", **options: Any) -> forms.ChoiceField:
    """Return a list in which nothing is chosen beforehand."""
    return forms.ChoiceField(choices=[("", blank), *choices], label=label, **options)


def radios(choices: Any, label: str, **options: Any) -> forms.ChoiceField:
    """Return radio buttons of which none is chosen beforehand."""
    return forms.ChoiceField(choices=list(choices), label=label, widget=forms.RadioSelect, **options)


def words(label: str, *, lines: int = 3, **options: Any) -> forms.CharField:
    """Return a field for free text."""
    return forms.CharField(label=label, widget=forms.Textarea(attrs={"rows": lines}), max_length=4000, **options)


def offer(form: forms.Form, name: str, choices: Iterable[tuple[Any, Any]]) -> None:
    """Set what a choice field of this form offers."""
    cast(forms.ChoiceField, form.fields[name]).choices = list(choices)
