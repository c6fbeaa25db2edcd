"""The standing queries beside the record they are about, on the pages of every room."""

from __future__ import annotations

from typing import Any

from django import template

from registry.access import Right, allowed
from registry.selectors.queries import beside

register = template.Library()


@register.inclusion_tag("registry/queries/beside.html", takes_context=True)
def queries_beside(context: dict[str, Any], patient: Any, record: Any = None) -> dict[str, Any]:
    """Show the standing queries of a patient, or of one record of theirs, with the way to raise one."""
    user = context["request"].user
    return {
        "patient": patient,
        "record": record,
        "record_type": record._meta.label_lower if record is not None else "",
        "shown": beside(user, patient, record) if allowed(user, patient.centre_id, Right.SEE_QUALITY) else None,
        "may_raise": allowed(user, patient.centre_id, Right.RAISE_QUERIES),
    }
