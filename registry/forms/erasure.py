"""Form to erase a patient."""

from __future__ import annotations

from django import forms

from registry.forms.base import PageForm
from registry.forms.fields import AnswerField, WordsField
from registry.services.erasure import ErasureReason


class ErasureForm(PageForm):
    """Why, the code typed again, and the password of the person who erases."""

    wide = ("reason",)

    reason = AnswerField("Reason", ErasureReason.choices, error_messages={"required": "Choose the reason."})
    code_again = WordsField(
        "Patient code, typed again",
        max_length=60,
        error_messages={"required": "Type the patient's code, so that no other patient is erased by mistake."},
    )
    password = forms.CharField(
        label="Your password",
        required=False,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        help_text="Being logged in on a shared tablet is not enough to erase a patient.",
    )
