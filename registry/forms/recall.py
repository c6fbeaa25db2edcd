"""The form that asks for a model."""

from __future__ import annotations

from registry.forms.base import PageForm
from registry.forms.fields import WordsField


class RecallForm(PageForm):
    """Which living patients carry this model."""

    model = WordsField("Model", required=False)
