"""The table of data categories of docs/data-protection.md, worked out from the declarations beside the fields."""

from django.apps import apps

from registry.models.declared import FREE_TEXT, STAFF, handling_of
from registry.selectors.erasing import models_of_patients
from registry.selectors.person_copy import LEFT_OUT

HEAD = ("table", "tells of", "fields that identify a person", "free text", "in the patient's copy")


def table():
    """Return the rows of the table as Markdown, by label."""
    patients = set(models_of_patients())
    lines = [HEAD, ("---",) * len(HEAD)]
    ours = [model for model in apps.get_models() if model._meta.app_label in {"registry", "procedures", "analytics"}]
    for model in sorted(ours, key=lambda one: one._meta.label_lower):
        declared, label = handling_of(model), model._meta.label_lower
        staff = any(one.reason == STAFF for one in declared.values())
        tells = [word for word, said in (("patient", model in patients), ("staff", staff)) if said]
        named = sorted(name for name, one in declared.items() if one.identifies)
        texts = sorted(name for name, one in declared.items() if one.reason == FREE_TEXT)
        copied = "" if model not in patients else "no" if label in LEFT_OUT else "yes"
        lines.append((label, " and ".join(tells), ", ".join(named), ", ".join(texts), copied))
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
