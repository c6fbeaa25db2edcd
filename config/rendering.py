"""How every form of the site is drawn: one template a field, which asks the field what it needs to know.

A field is checked through the same class, so what it says of a missing answer is settled here too.
"""

from __future__ import annotations

from django.forms import BaseForm, BoundField, Field
from django.forms.renderers import TemplatesSetting

from registry.forms.sentences import complete

# These say by themselves what no answer means, or need no remark behind their name.
_SAYING = {"checkbox", "checkboxselectmultiple", "password", "radioselect", "select", "textarea"}


class PageField(BoundField):
    """A field as a page shows it. Forms may say ``wide`` and ``says_optional`` of their fields, by name."""

    def __init__(self, form: BaseForm, field: Field, name: str) -> None:
        """Let the field say in our words what is missing; every field that is checked or drawn passes here."""
        super().__init__(form, field, name)
        complete(field, str(self.label), hidden=self.is_hidden)

    @property
    def unit(self) -> str:
        """The unit of its number; empty where it has none."""
        return getattr(self.field, "unit", "")

    @property
    def wide(self) -> bool:
        """Whether it takes the whole width of the form: long text, and what field or form says."""
        said = getattr(self.field, "wide", False) or self.name in getattr(self.form, "wide", ())
        return bool(said or self.widget_type == "textarea")

    @property
    def says_optional(self) -> bool:
        """Whether its name says that it may stay empty."""
        said = getattr(self.form, "says_optional", False)
        named = self.name in said if isinstance(said, tuple) else bool(said)
        return named and not self.field.required and self.widget_type not in _SAYING


class Renderer(TemplatesSetting):
    """Draws ``{{ field.as_field_group }}`` by the site's own template."""

    field_template_name = "forms/field.html"
    bound_field_class = PageField
