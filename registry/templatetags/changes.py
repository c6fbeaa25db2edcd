"""Naming a record's kind as the change trail does."""

from __future__ import annotations

from django import template
from django.db.models import Model

register = template.Library()


@register.filter
def kind_of(record: Model) -> str:
    """Return the record's kind, such as ``registry.assessment``."""
    return record._meta.label_lower
