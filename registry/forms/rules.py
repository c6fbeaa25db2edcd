"""What a service refused, shown on the form that asked for it."""

from __future__ import annotations

from django.forms import BaseForm

from registry.errors import Conflict, RuleBroken


def apply_rule(form: BaseForm, error: RuleBroken | Conflict) -> None:
    """Put a broken rule on a bound form: beside the fields it names, or above the form.

    A rule about a field the form does not show, or about no field, becomes a message of the whole form. A conflict
    says what is stored now; nothing typed is lost, since the form keeps its data.
    """
    form.is_valid()  # messages can only be added to a form that has been cleaned
    if isinstance(error, Conflict):
        stored = ", ".join(
            f"{form.fields[name].label or name}: {value or 'empty'}"
            for name, value in error.stored.items()
            if name in form.fields and value != error.yours.get(name)
        )
        form.add_error(None, f"{error} Saved now: {stored or 'a value this form does not show'}.")
        return
    if not error.fields:
        form.add_error(None, str(error))
    for name, messages in error.fields.items():
        for message in messages:
            form.add_error(name if name in form.fields else None, message)
