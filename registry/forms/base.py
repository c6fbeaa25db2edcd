"""What every form of the site shares, and the hidden key and version of the record that a form writes."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms

from registry.forms.refusals import WritingForm
from registry.forms.watched import WatchedForm
from registry.models import Record, new_key


class PageForm(WatchedForm):
    """A form of a page. Its problems are listed by the template ``forms/errors.html``."""

    use_required_attribute = False  # the server says what is missing, in words, for all fields at once

    def __init__(self, *args: Any, **options: Any) -> None:
        """Make the form without Django's colon after labels."""
        super().__init__(*args, **{"label_suffix": ""} | options)


class RecordForm(WritingForm, PageForm):
    """A form that writes one record. Sent twice it writes once: the key is made when the form is first shown."""

    version_field = "record_version"
    says_optional = True

    key = forms.UUIDField(widget=forms.HiddenInput)
    record_version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, record: Record | None = None, **options: Any) -> None:
        """Show a new form, or with ``record`` what is stored."""
        initial: dict[str, Any] = {"key": record.pk if record else new_key()}
        if record:
            initial["record_version"] = record.version
            initial |= self.shown(record)
        super().__init__(*args, **options | {"initial": initial | (options.get("initial") or {})})

    def shown(self, record: Record) -> dict[str, Any]:
        """Return a stored record's values as the form shows them."""
        return {name: getattr(record, name) for name in self.base_fields if hasattr(record, name)}

    def values(self) -> dict[str, Any]:
        """Return the cleaned values under the names the service takes."""
        return {name: value for name, value in self.cleaned_data.items() if name not in ("key", "record_version")}

    def identity(self) -> tuple[UUID, int | None]:
        """Return the record's key and the version it was read at."""
        return self.cleaned_data["key"], self.cleaned_data["record_version"]


class MeasuredForm(RecordForm):
    """A form of measured numbers: one outside its usual range is taken once somebody confirms it."""

    confirmed = forms.BooleanField(required=False, label="These unusual values are correct", widget=forms.HiddenInput)
    # Headings and the fields below each, in the order of the page.
    groups: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def __init__(self, *args: Any, **options: Any) -> None:
        """Make the form; the box to tick appears once it is needed."""
        super().__init__(*args, **options)
        self.order_fields([*(name for _, names in self.groups for name in names), "confirmed"])

    @property
    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The visible fields under their headings."""
        return [(heading, [self[name] for name in names]) for heading, names in self.groups]
