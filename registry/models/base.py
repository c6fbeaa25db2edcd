"""What every stored record shares."""

from __future__ import annotations

from uuid import UUID

from django.db import models
from uuid_utils.compat import uuid7

from registry.models.declared import UPKEEP, declare, pseudonym, withheld


def new_key() -> UUID:
    """Return a UUIDv7: time-ordered, and a tablet can mint one without asking the server."""
    return uuid7()


class Record(models.Model):
    """A record with a key that may come from outside, and a version that guards against silent overwriting."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)

    handling = declare(
        pseudonym("id"),
        withheld("version created_at updated_at", UPKEEP),
    )

    class Meta:
        abstract = True
