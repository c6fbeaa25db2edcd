"""Reading what links of the change trail say, which is sealed where it is about a patient."""

import json

from registry.models import Change
from registry.trail.content import contents, keys_for


def revealed(change):
    """Return what a link holds: ``new``, ``old``, ``reason`` and, where there is any, ``with``."""
    return contents(change, keys_for([change]))


def clear_text(change):
    """Return all that a link holds as text, to look for what must stand in it, or must not."""
    return json.dumps(revealed(change), ensure_ascii=False, sort_keys=True)


def for_reason(start):
    """Return the links whose reason begins so, as a query."""
    return Change.objects.filter(
        pk__in=[one.pk for one in Change.objects.all() if revealed(one)["reason"].startswith(start)]
    )
